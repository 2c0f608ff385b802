"""Scores and baselines for forecasts."""
