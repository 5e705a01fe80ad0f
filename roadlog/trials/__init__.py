"""The trials beside the road test: each gives a `TrialResult` that the one report shows."""
