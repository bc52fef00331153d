"""Names that both the kernels' layouts and the scenario's reader need; imports nothing heavy."""

# Hardware checks look once a tick in front of the converters, the others once an update at what the controller sees.
HARDWARE = ("overcurrent_fast", "desaturation", "gate_feedback")
