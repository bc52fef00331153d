"""Studies: what one run or many say together. Baselines, explanations."""
