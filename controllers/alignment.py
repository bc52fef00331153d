"""The controller of an alignment routine: a current vector that stands in the stator and pulls the rotor to it."""

from dataclasses import replace
from functools import cache

from controllers.contract import Controller, step_signature
from controllers.foc import FieldOrientedController


@cache
def _compiled():
    from controllers.alignment_kernel import standing_step
    from simcore.kernel import entry

    return entry(standing_step, step_signature())


class AlignmentController(Controller):
    """The built-in current loop with its angle forced to 0: id_A and iq_A are the current's alpha and beta parts.

    So a drive finds its angle zero: the rotor turns until its d axis lies on the vector (id > 0: 0 deg, iq > 0: 90 deg), as
    far as friction and cogging let it, and the position sensor is zeroed there.  Tuning as of the built-in in current mode.
    """

    modes = ("current",)

    def __init__(self):
        self._inside = FieldOrientedController()

    def reset(self, setup):
        """(set-up) => as of the built-in controller in current mode."""
        self._inside.reset(replace(setup, mode="current"))

    @staticmethod
    def compiled_function():
        """The compiled step alone, loaded or compiled now; needs no set-up."""
        return _compiled()

    def compiled_step(self):
        """The same controller for the compiled run; shares the inner one's parameters and state."""
        return self._inside.compiled_step()._replace(function=_compiled())

    def step(self, measured):
        """(measured) => command, by the built-in's update at angle 0."""
        return self._inside.step(measured._replace(angle_electrical_rad=0.0, speed_rpm=0.0))
