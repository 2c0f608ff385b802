"""
Restriction analysis: arrays in, values out. No database, no clock, no settings file; imports nothing of ours.

The server keeps `HourSummary` records (`summarise_hours`), learns a `FleetKnowledge` snapshot on its own
schedule (`housing_teaches` of each housing into `learn_fleet`), and asks `assess_housing`.
"""

from cleanside.ingest.restriction.elements.cleanings import Cleaning, ElementAccount, accounts_of
from cleanside.ingest.restriction.elements.entries import UNCHECKED, Entry, WeighedEntry
from cleanside.ingest.restriction.elements.lives import Life, LifeSpan
from cleanside.ingest.restriction.elements.safety_element import USUAL_CHANGES, SafetyElement
from cleanside.ingest.restriction.elements.site_wear import SiteWear, UsedElement, wear_by_site
from cleanside.ingest.restriction.elements.survival import (
    LEAST_LIVES,
    LEAST_REACHED,
    SURVIVAL_CONFIDENCE,
    PartLives,
    ReachedLife,
    compared,
)
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge, learn_fleet
from cleanside.ingest.restriction.measure.calibration import GaugeLook, MachineLooks
from cleanside.ingest.restriction.measure.hours import summarise_hours
from cleanside.ingest.restriction.measure.known_full_flow import Labelled, collect_shortfalls
from cleanside.ingest.restriction.measure.nearby import Nearby, collect_nearby
from cleanside.ingest.restriction.measure.summary import HourSummary, PackedHour, Readings, Summaries
from cleanside.ingest.restriction.measure.swapped import SentChanges, collect_sent
from cleanside.ingest.restriction.verdict.ahead import Quantiles
from cleanside.ingest.restriction.verdict.assess import (
    SILENT_S,
    Assessment,
    Risk,
    assess,
    assess_housing,
    backlog_arrives,
    without_names,
)
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.study import (
    Studied,
    Study,
    Taught,
    housing_teaches,
    study_failed,
    study_housing,
)
from cleanside.ingest.restriction.verdict.suspect import Suspicion

__all__ = [
    "LEAST_LIVES",
    "LEAST_REACHED",
    "SILENT_S",
    "SURVIVAL_CONFIDENCE",
    "UNCHECKED",
    "USUAL_CHANGES",
    "Assessment",
    "Cleaning",
    "ElementAccount",
    "Entry",
    "FleetKnowledge",
    "GaugeLook",
    "HourSummary",
    "HousingFacts",
    "Labelled",
    "Life",
    "LifeSpan",
    "MachineLooks",
    "Nearby",
    "PackedHour",
    "PartLives",
    "Quantiles",
    "ReachedLife",
    "Readings",
    "Risk",
    "SafetyElement",
    "SentChanges",
    "SiteWear",
    "Studied",
    "Study",
    "Summaries",
    "Suspicion",
    "Taught",
    "UsedElement",
    "WeighedEntry",
    "accounts_of",
    "assess",
    "assess_housing",
    "backlog_arrives",
    "collect_nearby",
    "collect_sent",
    "collect_shortfalls",
    "compared",
    "housing_teaches",
    "learn_fleet",
    "study_failed",
    "study_housing",
    "summarise_hours",
    "wear_by_site",
    "without_names",
]
