"""The alignment routine rehearsed: where a rotor settles on a standing current vector, with friction, cogging and load."""
