"""
The common error of all levels of a machine, from what people saw on its indicator or on a gauge.

One factor multiplies all levels of a machine, so that no step changes. Its logarithm c is unknown:
- before any look: normal, as wide as `Reference.level_spread`, around what the fleet's other machines showed;
- where full flow is known, what the machine meets lies below it by d <= 0: half-normal;
- an indicator latches where the limit was met: c + d + ln(highest level / limit) above its error (probit);
- where levels are raised to a full flow that no reading shows, the highest level is that met, d is 0, and the
  indicator sees the share of c that the monitor's own error has (`Reference.met_share`): it meets what the
  monitor meets, so neither says how far full flow lies beyond;
- a gauge at full flow shows c + ln(level); at any other flow it shows less, which raises a level no further
  than to what it showed: one that shows less than the monitor raises nothing;
- any look may be wrong: another machine, an indicator that sticks or was not reset.
The posterior is summed over a grid of c and d.
Promises: pure; the same for looks in any order.
Leaves to others: which levels belong to a look, and the words (`verdict.looked`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from scipy.special import ndtr, ndtri

from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.tuning import Tuning

#: of c (chosen: beyond, a normal prior has no weight; a tenth of a spread apart)
GRID_SPREADS, GRID_STEPS = 6.0, 121
BELOW_STEPS = 24  # of d, equally likely (chosen: each stands for a 24th of its distribution)
LN_DECADE = float(np.log(10.0))  # a gauge at fault shows anything within a factor of ten (chosen)


@dataclass(frozen=True, kw_only=True)
class GaugeLook:
    """What a person saw on the housing's own indicator or a hand gauge, and entered."""

    at_s: float  # [s since 1970-01-01 UTC]
    own_indicator: bool  # it stays at the highest that it met; else a gauge, which shows the instant
    latched: bool | None = None  # at the red mark; None: it has none
    shown_pa: float | None = None  # None: no number
    #: the same number in the unit of the change limit, where it was entered in another [Pa]; None: it was not
    as_limit_pa: float | None = None
    name: str = ""  # of the entry


class Likelihood(Protocol):
    """What one or two looks say of c and d."""

    def of(self, c: FloatArray, d: FloatArray, tuning: Tuning) -> FloatArray:
        """Where the look is right; shape as c and d broadcast."""

    def at_fault(self) -> float:
        """Where it is wrong, whatever c and d are."""


class Latching(NamedTuple):
    """An indicator between two looks of one life. Levels are the highest met; None: no such look. [Pa]"""

    not_yet_pa: float | None
    latched_pa: float | None
    limit_pa: float
    met_share: float = 1.0

    def of(self, c: FloatArray, d: FloatArray, tuning: Tuning) -> FloatArray:
        by_then, not_yet = self._met(self.latched_pa, c, d, tuning), self._met(self.not_yet_pa, c, d, tuning)
        return np.asarray((1.0 if by_then is None else by_then) - (0.0 if not_yet is None else not_yet))

    def at_fault(self) -> float:
        return 0.5  # it stands anywhere

    def _met(self, level_pa: float | None, c: FloatArray, d: FloatArray, tuning: Tuning) -> FloatArray | None:
        if level_pa is None:
            return None
        met = _met(c, d, self.met_share) + np.log(level_pa / self.limit_pa)
        return np.asarray(ndtr(met / tuning.indicator_spread))


class Pointer(NamedTuple):
    """An indicator with a scale, which stays at the highest that it met. [Pa]"""

    highest_pa: float
    shown_pa: float
    met_share: float = 1.0

    def of(self, c: FloatArray, d: FloatArray, tuning: Tuning) -> FloatArray:
        off = np.log(self.shown_pa / self.highest_pa) - _met(c, d, self.met_share)
        return _normal(off, tuning.indicator_spread)

    def at_fault(self) -> float:
        return 1.0 / LN_DECADE


class Gauge(NamedTuple):
    """A hand gauge. [Pa]"""

    level_pa: float  # at full flow, by the readings
    shown_pa: float
    full_flow: bool  # the engine reached full flow about then; else the gauge shows a lower bound

    def of(self, c: FloatArray, d: FloatArray, tuning: Tuning) -> FloatArray:
        off = np.log(self.shown_pa / self.level_pa) - c + 0.0 * d
        below = ndtr(-off / tuning.gauge_spread) / LN_DECADE
        at_full = tuning.gauge_at_full if self.full_flow else 0.0
        return np.asarray(at_full * _normal(off, tuning.gauge_spread) + (1.0 - at_full) * below)

    def at_fault(self) -> float:
        return 1.0 / LN_DECADE

    @property
    def at_least(self) -> float:
        """What it says of c at the least, ln."""
        return float(np.log(self.shown_pa / self.level_pa))


def _met(c: FloatArray, d: FloatArray, met_share: float) -> FloatArray:
    """ln of what the machine meets over what its readings show of that."""
    return c + d if met_share == 1.0 else met_share * c + 0.0 * d


def _normal(off: FloatArray, spread: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (off / spread) ** 2) / (spread * np.sqrt(2.0 * np.pi)))


class Prior(NamedTuple):
    """ln of the factor before any look of the machine."""

    middle: float
    spread: float
    machines: int = 0  # of the fleet, whose looks gave the middle


class Calibration(NamedTuple):
    """ln of the factor on all levels of a machine, and how likely each look is wrong."""

    middle: float
    spread: float
    wrong: tuple[float, ...] = ()

    @property
    def factor(self) -> float:
        """By which all levels are multiplied."""
        return float(np.exp(self.middle))


def calibrate(said: Sequence[Likelihood], prior: Prior, tuning: Tuning) -> Calibration:
    """
    The posterior of c. said : in any order; `wrong` goes by it.

    The mean of what lies above a bound lies above the bound: a gauge that shows less than the monitor would
    raise the level. So bounds raise it to the greatest of them at most.
    """
    found = _posterior(said, prior, tuning)
    bounds = [one for one in said if isinstance(one, Gauge) and not one.full_flow]
    if not bounds:
        return found
    rest = _posterior([one for one in said if one not in bounds], prior, tuning)
    most = max(rest.middle, *(one.at_least for one in bounds))
    return found._replace(middle=min(found.middle, most))


def _posterior(said: Sequence[Likelihood], prior: Prior, tuning: Tuning) -> Calibration:
    if not said:
        return Calibration(prior.middle, prior.spread)
    z = np.linspace(-GRID_SPREADS, GRID_SPREADS, GRID_STEPS)
    c = (prior.middle + prior.spread * z)[:, None]
    d = tuning.met_below * ndtri((np.arange(BELOW_STEPS) + 0.5) / (2 * BELOW_STEPS))[None, :]
    faulty = np.array([tuning.look_wrong * one.at_fault() for one in said])
    each = np.array([(1.0 - tuning.look_wrong) * one.of(c, d, tuning) for one in said])
    each += faulty[:, None, None]
    ln_all = np.sort(np.log(each), axis=0).sum(axis=0) - 0.5 * z[:, None] ** 2  # one sum for any order
    weight = np.exp(ln_all - ln_all.max())
    weight /= weight.sum()
    middle = float(np.sum(weight * c))
    spread = float(np.sqrt(np.sum(weight * (c - middle) ** 2)))
    wrong = (faulty[:, None, None] / each * weight).sum(axis=(1, 2))
    return Calibration(middle, spread, tuple(wrong.tolist()))


def ln_of(said: Sequence[Likelihood], tuning: Tuning) -> float:
    """ln of the likelihood of looks where levels have no error; any look may be wrong."""
    none = np.zeros(1)
    each = [
        (1.0 - tuning.look_wrong) * one.of(none, none, tuning)[0] + tuning.look_wrong * one.at_fault()
        for one in said
    ]
    return float(np.sum(np.sort(np.log(each))))  # one sum for any order


# ---------------------------------------------------------------- what a fleet's machines share


class MachineLooks(NamedTuple):
    """
    What the looks of one machine say of c / spread, without any prior: a normal likelihood in natural form.

    spread is what c has before any look. A machine whose full flow is known to 2 % says of its own 2 % alone:
    in units of ln, the slope of its likelihood would be read far outside of where it was taken.
    """

    machine: str
    kind: str
    flow: str  # how its levels are derived: `Reference.flow_kind`
    pull: float  # mean times precision [1]
    precision: float  # [1]


def looks_alone(
    said: Sequence[Likelihood], spread: float, tuning: Tuning, *, machine: str, kind: str, flow: str
) -> MachineLooks | None:
    """What looks say without the prior; None: nothing. spread : of the prior. [ln]"""
    if not said:
        return None
    found = calibrate(said, Prior(0.0, spread), tuning)
    precision = max((spread / found.spread) ** 2 - 1.0, 0.0)
    return MachineLooks(machine, kind, flow, found.middle / spread * (1.0 + precision), precision)


def prior_of(
    fleet: Iterable[MachineLooks], spread: float, tuning: Tuning, *, machine: str, kind: str, flow: str
) -> Prior:
    """
    What the other machines let expect of one.

    The variance of c / spread is 1: `fleet_share` of it is common to all machines by the same flow,
    `kind_share` to those of a kind, the rest is each machine's own. So one machine moves another by less than
    itself, and none by more than that one's own error allows.
    spread : of c before any look [ln]; it stays. The machine's own looks are left out: they count by
        themselves.
    """
    others = sorted(one for one in fleet if one.flow == flow and one.machine != machine)
    own = 1.0 - tuning.fleet_share - tuning.kind_share
    of_kinds = {one.kind: _Said() for one in others}
    for one in others:
        of_kinds[one.kind] += _Said(one.pull, one.precision).blurred(own)
    alike = of_kinds.pop(kind, _Said())
    shared = sum((said.blurred(tuning.kind_share) for said in of_kinds.values()), _Said())
    around = _Said(shared.pull, tuning.fleet_share**-1 + shared.precision).blurred(tuning.kind_share)
    return Prior(spread * (around + alike).mean, spread, len(others))


@dataclass(frozen=True)
class _Said:
    """A normal likelihood in natural form."""

    pull: float = 0.0
    precision: float = 0.0

    def blurred(self, variance: float) -> _Said:
        """Of what differs from this by a normal error of so much variance."""
        by = 1.0 + self.precision * variance
        return _Said(self.pull / by, self.precision / by)

    def __add__(self, other: _Said) -> _Said:
        """Both together."""
        return _Said(self.pull + other.pull, self.precision + other.precision)

    @property
    def mean(self) -> float:
        return self.pull / self.precision
