"""Which file is which run: logs taken in, arms, days, routes, notes and deviations."""
