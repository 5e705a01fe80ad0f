"""Simulation studies with known truth, run by hand; their results stand in docs/."""
