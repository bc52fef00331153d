"""Explanations of a run: which limit bound where and why, which orders it holds, and what is likely to make them."""
