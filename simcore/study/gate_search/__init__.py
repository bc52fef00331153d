"""The gate plan of least switching loss that keeps overshoot and slope inside their limits."""
