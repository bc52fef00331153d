"""The self-test of a controller: what it does to the true plant, found from outside, and what is wrong with it."""

from simcore.study.selftest.findings import OPEN, RIGHT, WRONG, Finding

__all__ = ["OPEN", "RIGHT", "WRONG", "Finding", "self_test"]


def self_test(scenario, controller=None, *, with_sensors=False, before_run=None):
    """Put the scenario's controller on small benches with its machine => list of Finding.

    controller: an instance to use instead of the scenario's class.  with_sensors leaves the scenario's sensors in (mounting
    offset, gains); without it they are ideal.  before_run() is called before each of some 20 to 90 short runs.  Raises
    ScenarioError for a tuning that the controller refuses, RunError where its reset fails.
    """
    from simcore.study.selftest import checks
    from simcore.study.selftest.probing import Probing

    return checks.every_finding(Probing(scenario, controller, with_sensors=with_sensors, before_run=before_run))
