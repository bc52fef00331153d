"""Controllers: the contract and the built-in ones."""

from controllers.compiled import CompiledController
from controllers.contract import Command, CompiledStep, ContractError, Controller, Measured, Setup, TuningError

__all__ = [
    "Command", "CompiledController", "CompiledStep", "ContractError", "Controller", "Measured", "Setup", "TuningError",
]  # fmt: skip
