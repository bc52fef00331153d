"""Baselines: a scenario's numbers and courses kept beside it, and what has moved since."""
