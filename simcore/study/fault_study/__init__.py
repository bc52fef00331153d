"""Every fault of a list at every operating point, monitored and not: noticed, how fast, and what it did meanwhile."""
