"""Every test file that a docstring or a page names exists."""

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def test_named_test_files_exist():
    known = {path.name for path in (ROOT / "tests").rglob("test_*.py")}
    pages = [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    sources = [path for folder in ("simcore", "controllers", "scenarios") for path in (ROOT / folder).rglob("*.py")]
    missing = {
        f"{path.relative_to(ROOT)}: {name}"
        for path in pages + sources
        for name in re.findall(r"\btest_\w+\.py", path.read_text())
        if name not in known
    }
    assert not missing


def test_every_file_with_rows_in_the_verification_table_has_a_topic():
    topics = (ROOT / "tests" / "conftest.py").read_text()
    stems = {path.stem for path in (ROOT / "tests").rglob("test_*.py") if re.search(r"\bverified\(", path.read_text())}
    assert {stem for stem in stems if f'"{stem}"' not in topics} == set()
