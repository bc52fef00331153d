"""`python -m simcore` is `drybench`."""

from simcore.cli import main

main(prog_name="drybench")
