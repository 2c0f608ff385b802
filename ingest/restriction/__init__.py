"""
Restriction analysis: arrays in, values out. No database, no clock, no settings file; imports nothing of ours.

The server keeps `HourSummary` records (`summarise_hours`), learns a `FleetKnowledge` snapshot on its own
schedule (`housing_lives` of each housing into `learn_fleet`), and asks `assess_housing`.
"""

from .assess import (
    Assessment,
    Quantiles,
    Studied,
    Study,
    assess,
    assess_housing,
    housing_lives,
    study_housing,
)
from .fleet import FleetKnowledge, learn_fleet
from .hours import summarise_hour, summarise_hours
from .lives import Life, LifeSpan
from .nearby import Nearby, collect_nearby
from .summary import HourSummary, PackedHour, Readings, Summaries
from .suspect import Suspicion

__all__ = [
    "Assessment",
    "FleetKnowledge",
    "HourSummary",
    "Life",
    "LifeSpan",
    "Nearby",
    "PackedHour",
    "Quantiles",
    "Readings",
    "Studied",
    "Study",
    "Summaries",
    "Suspicion",
    "assess",
    "assess_housing",
    "collect_nearby",
    "housing_lives",
    "learn_fleet",
    "study_housing",
    "summarise_hour",
    "summarise_hours",
]
