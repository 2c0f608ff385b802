"""
What is learned across the fleet: a snapshot of element lives, and the forecaster fitted to them.

Promises: a snapshot is a value: the same lives give the same snapshot and the same forecasts, and it passes
through JSON unchanged. The caller decides when to learn again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np

from cleanside.ingest.restriction.elements.clean_levels import CleanLevels, ExpectedClean, shows_clean
from cleanside.ingest.restriction.elements.clean_spread import CleanSpread, clean_spread_of
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.fitted import forecaster_of, record_of
from cleanside.ingest.restriction.forecast.forecast import Forecaster, fit_forecaster
from cleanside.ingest.restriction.measure.calibration import MachineLooks
from cleanside.ingest.restriction.measure.nearby import Nearby, collect_nearby
from cleanside.ingest.restriction.measure.shortfall import Shortfalls
from cleanside.ingest.restriction.measure.swapped import SentChanges
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

FLEET_VERSION = 2  # a version: of the record
#: the air in which levels are stated; levels in other air are wrong here, so those lives are not learned from
AIR = "site"
#: of the record; before, under "looks", what looks say stood in ln and is not read
LOOKS = "looks_in_spreads"
USUAL_LIFE_H = 500.0  # operating hours; used until the fleet or the life itself shows more (common practice)
LEAST_CLEAN_LIVES = 3  # chosen: a single one may have been read from a torn element
MAX_ROWS_PER_LIFE = 400  # chosen: a curve has no finer detail; a snapshot of 1000 lives stays at some MB


@dataclass(frozen=True)
class FleetKnowledge:
    """A versioned snapshot of lives, thinned evenly. An empty one is valid: forecasts are then wide."""

    lives: tuple[Life, ...] = ()
    nearby: Nearby = field(default_factory=lambda: collect_nearby(()))
    sent: SentChanges = field(default_factory=SentChanges)
    looks: tuple[MachineLooks, ...] = ()  # what people saw on indicators and gauges, by machine
    shortfalls: Shortfalls = field(default_factory=Shortfalls)
    #: fitted to these lives, and read from the record instead of fitted again; None: not fitted yet
    fitted: Forecaster | None = None

    @cached_property
    def forecaster(self) -> Forecaster:
        """Fitted on first use, which takes seconds where lives are many; the same lives give the same fit."""
        if self.fitted is not None:
            return self.fitted
        return fit_forecaster(self.lives, usual_life_h=USUAL_LIFE_H)

    def clean_share(self, kind: str) -> float | None:
        """Usual clean level of a kind's new elements, share of terminal; None: not known."""
        return self._clean_shares.get(kind) if kind else None

    def expected_clean(self, kind: str, machine: str, tuning: Tuning) -> ExpectedClean:
        """What the next clean element of a machine is expected to read, by the other machines."""
        if tuning not in self._clean_levels:
            spread = self.clean_spread.with_prior(tuning)
            self._clean_levels[tuning] = CleanLevels(self.lives, spread, tuning)
        return self._clean_levels[tuning].expected(kind, machine)

    @cached_property
    def complete_lives(self) -> int:
        """How many lives were seen to their end."""
        return sum(life.complete for life in self.lives)

    @cached_property
    def clean_spread(self) -> CleanSpread:
        """How much clean elements of one machine differ."""
        return clean_spread_of(self.lives)

    @cached_property
    def _clean_levels(self) -> dict[Tuning, CleanLevels]:
        """Worked out once for each set of constants; there is one but in the ablation."""
        return {}

    @cached_property
    def _clean_shares(self) -> dict[str, float]:
        found: dict[str, list[float]] = {}
        for life in self.lives:
            if shows_clean(life, TUNING) and (early_pa := life.early_pa) is not None:
                found.setdefault(life.kind, []).append(early_pa / life.terminal_pa)
        return {
            k: float(np.median(shares)) for k, shares in found.items() if len(shares) >= LEAST_CLEAN_LIVES
        }

    def as_record(self) -> dict[str, Any]:
        """A plain dict for JSON, with its version and the fitted forecaster."""
        return {"version": FLEET_VERSION, "air": AIR, **self._taught(), "fitted": record_of(self.forecaster)}

    def teaches_as(self, other: FleetKnowledge) -> bool:
        """The same lives and the same air, so the same forecasts."""
        return self._taught() == other._taught()

    def _taught(self) -> dict[str, Any]:
        return {
            "lives": [_life_record(life) for life in self.lives],
            "nearby": self.nearby.as_record(),
            "sent": self.sent.as_record(),
            LOOKS: [list(one) for one in self.looks],
            "shortfalls": self.shortfalls.as_record(),
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> FleetKnowledge:
        """
        The inverse of `as_record`. Raises ValueError for a version this code does not know.

        Lives that the previous release stated in standard air are left out, with their fit: learn again.
        """
        if record.get("version") != FLEET_VERSION:
            raise WrongInput("fleet_version", version=record.get("version"), known=FLEET_VERSION)
        nearby = Nearby.from_record(record["nearby"])
        sent = SentChanges.from_record(record.get("sent", ()))  # the previous release stored none
        looks = tuple(MachineLooks(*one) for one in record.get(LOOKS, ()))  # the same
        shortfalls = Shortfalls.from_record(record.get("shortfalls", ()))  # nor these
        if record.get("air") != AIR:
            return cls((), nearby, sent, looks, shortfalls)
        return cls(
            tuple(_life(entry) for entry in record["lives"]),
            nearby,
            sent,
            looks,
            shortfalls,
            forecaster_of(record.get("fitted")),  # the previous release stored none
        )


def learn_fleet(
    lives: Sequence[Life],
    nearby: Nearby | None = None,
    sent: SentChanges | None = None,
    looks: Sequence[MachineLooks] = (),
    shortfalls: Shortfalls | None = None,
) -> FleetKnowledge:
    """
    Learn a snapshot from complete and censored lives; their order does not matter.

    lives : of any machines, labelled with machine and kind where known.
        Lives of fewer than two rows are left out.
    nearby : ambient pressure of machines near each other; None = nothing known.
    sent : what changed in the readings of machines; None = nothing known.
    looks : what people saw on indicators and gauges, by machine.
    shortfalls : how far work stays below full flow; None = nothing known.
    """
    thinned = [_thinned(life) for life in lives if len(life.hours) >= 2]
    thinned.sort(
        key=lambda life: (life.kind, life.machine, life.hours.tolist(), life.restriction_pa.tolist())
    )
    return FleetKnowledge(
        tuple(thinned),
        nearby or collect_nearby(()),
        sent or SentChanges(),
        tuple(sorted(looks)),
        shortfalls or Shortfalls(),
    )


def _thinned(life: Life) -> Life:
    n = len(life.hours)
    if n <= MAX_ROWS_PER_LIFE:
        return life
    rows = np.unique(np.linspace(0, n - 1, MAX_ROWS_PER_LIFE).round().astype(np.int64))
    return replace(life, hours=life.hours[rows], restriction_pa=life.restriction_pa[rows])


def _life_record(life: Life) -> dict[str, Any]:
    return {
        "hours": life.hours.tolist(),
        "restriction_pa": life.restriction_pa.tolist(),
        "terminal_pa": life.terminal_pa,
        "complete": life.complete,
        "machine": life.machine,
        "kind": life.kind,
        "from_new": life.from_new,
    }


def _life(entry: Mapping[str, Any]) -> Life:
    return Life(
        hours=np.asarray(entry["hours"], dtype=np.float64),
        restriction_pa=np.asarray(entry["restriction_pa"], dtype=np.float64),
        terminal_pa=float(entry["terminal_pa"]),
        complete=bool(entry["complete"]),
        machine=str(entry["machine"]),
        kind=str(entry["kind"]),
        from_new=bool(entry["from_new"]),
    )
