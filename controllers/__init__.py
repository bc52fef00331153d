"""Controllers: the contract and the built-in ones."""

from controllers.contract import Command, Controller, Measured, Setup, TuningError

__all__ = ["Command", "Controller", "Measured", "Setup", "TuningError"]
