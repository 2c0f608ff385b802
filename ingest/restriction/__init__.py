"""
Restriction analysis: arrays in, values out. No database, no clock, no settings file; imports nothing of ours.

The server keeps `HourSummary` records (`summarise_hours`), learns a `FleetKnowledge` snapshot on its own
schedule (`housing_lives` of each housing into `learn_fleet`), and asks `assess_housing`.
"""

from .assess import Assessment, Quantiles, Suspicion, assess_housing, housing_lives
from .fleet import FleetKnowledge, learn_fleet
from .hours import summarise_hour, summarise_hours
from .lives import Life
from .summary import HourSummary, Readings

__all__ = [
    "Assessment",
    "FleetKnowledge",
    "HourSummary",
    "Life",
    "Quantiles",
    "Readings",
    "Suspicion",
    "assess_housing",
    "housing_lives",
    "learn_fleet",
    "summarise_hour",
    "summarise_hours",
]
