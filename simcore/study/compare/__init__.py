"""Two variants of a drive beside each other: over torque and speed, over a cycle, or in one run."""
