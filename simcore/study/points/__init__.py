"""Points of one scenario, as a sweep or a tolerance study has many: run anywhere, kept, compared with their limits."""
