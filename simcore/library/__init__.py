"""The parts library for people: which parts there are, and their numbers in all usual units."""
