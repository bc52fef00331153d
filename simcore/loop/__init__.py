"""The loop: the stages of a period in order, the clock, the recorder."""

from simcore.loop.loading import check_not_shadowed

check_not_shadowed()

from simcore.loop.bench import Bench  # noqa: E402
from simcore.loop.ensemble import MemberResult, iterate_ensemble, run_ensemble  # noqa: E402
from simcore.loop.errors import RunError  # noqa: E402
from simcore.loop.recording import Recording  # noqa: E402
from simcore.loop.signals import load_recording  # noqa: E402

__all__ = ["Bench", "MemberResult", "Recording", "RunError", "iterate_ensemble", "load_recording", "run_ensemble"]
