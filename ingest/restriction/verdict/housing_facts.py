"""
What a study needs beside the summaries of a housing: what people entered, and what its fleet taught.

Leaves to others: where these come from (`ingest.analysis`), and what they mean (`study`, `assess`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

from cleanside.ingest.restriction.elements.entries import Entry
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.measure.calibration import GaugeLook
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

PLANNING_HORIZON_DAYS = 14.0  # chosen: an element is ordered and a stop is found in two weeks


@dataclass(frozen=True, kw_only=True)
class HousingFacts:
    """What is entered of one housing, and what its fleet taught. Raises WrongInput: terminal not above 0."""

    terminal_pa: float | None  # that holds now; None = not entered, then no share and no forecast. [Pa]
    terminal_entered: tuple[float, str] | None = None  # the same as read, value and unit; None = not known
    entries: tuple[Entry, ...] = ()  # what people entered of the element
    looks: tuple[GaugeLook, ...] = ()  # what people saw on indicator or gauge
    #: what a gauge showed at full flow with a new element in that was looked at; None: not noted. [Pa]
    clean_noted_pa: float | None = None
    #: snapshot of lives to learn from; an empty one: nothing learned, the forecast is wide
    fleet: FleetKnowledge = field(default_factory=FleetKnowledge)
    machine: str = ""  # labels for weighting the fleet's lives
    kind: str = ""
    reference_flow: float | None = None  # at which terminal is stated; None = learned; see `learn_reference`
    reference_kind: str | None = None
    unwatched_from_s: float | None = None  # from when on no monitor sits there; None = one does [s]
    planning_horizon_days: float = PLANNING_HORIZON_DAYS
    tuning: Tuning = TUNING  # constants of the model; others for the ablation alone

    def __post_init__(self) -> None:
        if self.terminal_pa is not None and not self.terminal_pa > 0:
            raise WrongInput("limit_not_above_zero", terminal_pa=self.terminal_pa)
        if self.clean_noted_pa is not None and not self.clean_noted_pa > 0:
            raise WrongInput("clean_not_above_zero", clean_pa=self.clean_noted_pa)

    @property
    def clean_by_fleet(self) -> tuple[float, float] | None:
        """
        Clean level to expect by the other machines [Pa], and its spread [ln].

        None = no limit, or nothing was learned.
        """
        if self.terminal_pa is None or not self.fleet.lives:
            return None
        found = self.fleet.expected_clean(self.kind, self.machine, self.tuning)
        return found.share * self.terminal_pa, found.spread

    @property
    def kind_clean_pa(self) -> float | None:
        """Clean level to expect from the kind; None = not known. [Pa]"""
        share = self.fleet.clean_share(self.kind)
        return None if share is None or self.terminal_pa is None else share * self.terminal_pa
