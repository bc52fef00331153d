"""Drive cycles: a vehicle with its driver, battery and drive follows a speed over time."""
