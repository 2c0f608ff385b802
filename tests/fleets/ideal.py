"""
An observer that knows the true laws of a machine, but not what happened: a bound to what readings can tell.

At each stop of the engine it weighs five cases by the readings of the ten operating hours before and after:
nothing, a new element, the element cleaned, a torn one, none. It knows

- the machine's physics: duct, medium, how the element loads, how all of it answers the flow; the element that
  was in before, its dust, and the dust since;
- the laws by which new elements, torn shares and shares recovered are drawn, and how often each case comes at
  a stop, by how far the element was used;
- how what passes (moisture, what falls off, moved ducts), and the work, differ from the ten hours before a
  stop to the ten after: by all other stops of this machine, later ones too, and of its fleet.

`ByReadings` has a perfect gauge, and the true flow of each reading where the machine sends a measure of it.
There it knows more than any program can, and leaves out only what the answer to the flow says.
Elsewhere it has speed or nothing as sent, and takes of the readings one number: the mean of their quantiles
that varies least from before a stop to after it on this machine. A better way is not ruled out.
`ByHours` has the hourly levels of the analysis in place of the readings, with all their errors, as they are
at the end of the record. What it tells less than `ByReadings` is lost on the way to the levels, and what the
analysis tells less, in its judgement or by what it cannot know of the laws.
Either may know what clean elements of the machine read, or only what the fleet and the machine have shown.
Either may have learned how the work differs from earlier stops of the machine and from other machines alone,
or from other machines alone (`Learns`).
Pure. Leaves to others: which events count (`score`), and the tables (`bench_tellable`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.measure.tuning import Tuning
from tests.fleets.incidents import TORN_RESISTS
from tests.fleets.making import Draft
from tests.fleets.truth import HOUR_S, Cause, Floats, Ints, Machine, Proxy, Work
from tests.fleets.upkeep import RECOVERS, Element, Kept, Worked, dust_of

WINDOW_H = 10.0  # operating hours before and after a stop, as `score` has a day's work
LEAST_H = 3.0  # fewer hours of an element before or after a stop are not weighed
DRAWS = 24  # of what a case leaves open; chosen: 40 gave the same counts on 8 machines of plateau
QUANTILES = (0.1, 0.25, 0.5, 0.75, 0.9, 0.97)
SHRINK = 0.1  # of the covariance of quantiles to its diagonal; chosen: some 100 stops, seven numbers
SPEEDS = 12  # bins of speed in which the readings of a machine are centred
BAND = 0.01  # ln; least width of a kernel: single elements are not known better; chosen
OWN = 0.7  # of the density of what passes: that of the machine, the rest of its fleet; chosen
PRIOR_STOPS = 10  # own stops that weigh as much as all of the other machines; chosen: 30 told alike
LEAST_DENSITY = 1e-4  # per ln: what no stop of the fleet has shown may happen; chosen
FEW = 5  # rows of a window of which one is used where flow is granted
SEEN_CLEAN = 0.05  # ln; how well one clean element of the machine tells of the next; chosen
NOTHING = "nothing"
CASES = (NOTHING, "new", "cleaned", "torn", "missing")
AS_CLEAN = ("new", "torn", "missing")  # what they read goes by what clean elements read
DONE = {Work.NEW: "new", Work.CLEANED: "cleaned", Work.TORN: "torn", Work.MISSING: "missing"}
SHARES = (0.2, 0.35, 0.6, 0.85, 1.0)  # edges, of the way from clean to the limit


class Learns(StrEnum):
    """By which stops an observer knows how what passes, and the work, move a level."""

    ALL = "all others of the machine and its fleet, later ones too"
    EARLIER = "earlier ones of the machine, and those of the other machines"
    OTHERS = "those of the other machines"


@dataclass(frozen=True, kw_only=True)
class Known:
    """A machine with the laws by which it was made and what became of its elements."""

    machine: Machine
    draft: Draft
    kept: Kept


@dataclass(frozen=True, kw_only=True)
class Stop:
    """A stop with rows of the running engine before and after it, and what was truly done."""

    row: int
    before: Ints
    after: Ints
    life: int
    #: of `CASES`
    done: str
    #: of the way from clean to the limit, before
    share: float
    #: dry level before beside the limit
    level: float


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A stop with the probability of each case."""

    machine: str
    at_s: float
    proxy: Proxy
    done: str
    chances: Mapping[str, float]
    #: so many stops of the machine it stands for
    weight: float


def stops_of(known: Known) -> list[Stop]:
    """Those with hours of one whole element before, nothing or one thing done, and no other fault near."""
    worked, kept = known.draft.worked, known.kept
    running = np.flatnonzero(np.diff(worked.hours[: worked.end], prepend=0.0) > 0)
    works = dict(zip(kept.rows[1:], (change.work for change in kept.changes), strict=True))
    found = (
        _stop(known, running, int(row), works.get(int(row))) for row in worked.breaks if 0 < row < worked.end
    )
    return [stop for stop in found if stop is not None]


def _stop(known: Known, running: Ints, row: int, work: Work | None) -> Stop | None:
    """running : rows at which the engine runs. None: it is not to be weighed."""
    worked, kept = known.draft.worked, known.kept
    life = int(np.searchsorted(kept.rows, row, side="left")) - 1
    until = next((other for other in kept.rows if other > row), worked.end)
    first_h, last_h = worked.hours[row - 1] - WINDOW_H, worked.hours[row - 1] + WINDOW_H
    hours = worked.hours[running]
    begin, at, end = np.searchsorted(running, (kept.rows[life], row, until))
    before = running[max(begin, np.searchsorted(hours, first_h)) : at]
    after = running[at : min(end, np.searchsorted(hours, last_h))]
    if min(_length_h(worked, before), _length_h(worked, after)) < LEAST_H or kept.elements[life].resists < 1:
        return None
    is_cut = work is None and until < worked.end and worked.hours[until] < last_h
    if is_cut or _is_hidden(known.machine, worked.at_s[before[0]], worked.at_s[after[-1]]):
        return None
    element, clean_pa = kept.elements[life], kept.lives[life].clean_pa
    dust = dust_of(worked, element, kept.rows[life], np.array([row - 1]))
    level_pa, limit_pa = float(known.draft.physics.dry_pa(element, dust)[0]), known.draft.limit_pa
    return Stop(
        row=row,
        before=before,
        after=after,
        life=life,
        done=NOTHING if work is None else DONE[work],
        share=(level_pa - clean_pa) / (limit_pa - clean_pa),
        level=level_pa / limit_pa,
    )


def _length_h(worked: Worked, rows: Ints) -> float:
    return float(worked.hours[rows[-1]] - worked.hours[rows[0]]) if len(rows) else 0.0


def _is_hidden(machine: Machine, from_s: float, until_s: float) -> bool:
    """A fault that is not of the element was there meanwhile."""
    of_others = (f for f in machine.faults if f.cause not in (Cause.TORN, Cause.MISSING, Cause.LIMIT_UNIT))
    return any(f.begin_s < until_s and f.repaired_s > from_s for f in of_others)


class ByReadings:
    """The stops of one machine as an observer of its readings sees them."""

    def __init__(self, known: Known, stops: Sequence[Stop]) -> None:
        self.known, self.stops = known, stops
        self._physics, self._worked = known.draft.physics, known.draft.worked
        self._is_by_flow = known.machine.proxy not in (Proxy.SPEED, Proxy.NOTHING)

    @cached_property
    def moves(self) -> Floats:
        """What passes and the work make of the level at each stop [ln], shape (stops,)."""
        return self._steps @ self._weights

    def needed(self, place: int, elements: Sequence[tuple[Element, bool]]) -> Floats:
        """What must have passed at a stop for each of some elements to show what was read [ln]."""
        stop = self.stops[place]
        rows = self._used(stop.after)
        level = self._weights @ self._numbers(*_truly_after(self.known, stop, rows), rows)
        made = [
            self._weights @ self._numbers(element, _dust(self.known, stop, element, rows, is_fresh), rows)
            for element, is_fresh in elements
        ]
        return np.asarray(level - np.array(made) + self.moves[place])

    def _used(self, rows: Ints) -> Ints:
        return rows[::FEW] if self._is_by_flow else rows[::2]

    def _numbers(self, element: Element, dust: Floats, rows: Ints) -> Floats:
        if self._is_by_flow:
            return np.array([np.log(self._physics.full_pa(element, dust, rows)).mean()])
        shown = np.log(np.maximum(self._physics.met_pa(element, dust, rows), 1.0))
        if self.known.machine.proxy is Proxy.SPEED:
            shown = shown - np.interp(self._speed[rows], *self._by_speed)
        return np.r_[np.quantile(shown, QUANTILES), shown.mean()]

    @property
    def _speed(self) -> Floats:
        return self.known.draft.bus["engine_speed"]

    @cached_property
    def _by_speed(self) -> tuple[Floats, Floats]:
        """Middle of each bin of speed, and what restriction reads there beside the dry level [ln]."""
        parts, at = [], []
        for stop in self.stops:
            element, rows = self.known.kept.elements[stop.life], stop.after
            dust = _dust(self.known, stop, element, rows, is_fresh=False)
            met_pa = np.maximum(self._physics.met_pa(element, dust, rows), 1.0)
            parts.append(np.log(met_pa / self._physics.dry_pa(element, dust)))
            at.append(self._speed[rows])
        shown, where = np.concatenate(parts), np.concatenate(at)
        edges = np.unique(np.quantile(where, np.linspace(0, 1, SPEEDS + 1)))
        place = np.clip(np.searchsorted(edges, where, side="right") - 1, 0, max(len(edges) - 2, 0))
        used = [i for i in range(max(len(edges) - 1, 1)) if np.any(place == i)]
        middles = [np.array([values[place == i].mean() for i in used]) for values in (where, shown)]
        return middles[0], middles[1]

    @cached_property
    def _weights(self) -> Floats:
        return _steadiest(self._steps)

    @cached_property
    def _steps(self) -> Floats:
        """From before to after each stop, as if nothing was done and nothing loaded; (stops, numbers)."""
        made = []
        for stop in self.stops:
            element = self.known.kept.elements[stop.life]
            sides = [self._used(stop.before), self._used(stop.after)]
            dusts = [_dust(self.known, stop, element, rows, is_fresh=False) for rows in sides]
            before, after = (
                self._numbers(element, d, rows) - np.log(self._physics.dry_pa(element, d).mean())
                for d, rows in zip(dusts, sides, strict=True)
            )
            made.append(after - before)
        return np.array(made)


class ByHours:
    """The stops of one machine as an observer of the hourly levels of the analysis sees them."""

    def __init__(self, known: Known, stops: Sequence[Stop], hour_s: Floats, levels: Floats) -> None:
        """hour_s, levels : starts of hours that the analysis believes, and their levels [ln], shape (n,)."""
        self.known, self._hour_s, self._levels = known, hour_s, levels
        self.stops = [stop for stop in stops if min(map(len, self._sides(stop))) >= LEAST_H]
        if not self.stops:
            self.moves = np.zeros(0)
            return
        numbers = [[self._numbers(side) for side in self._sides(stop)] for stop in self.stops]
        risen = np.array([after - before for before, after in numbers])
        truly = np.array([self._risen(stop) for stop in self.stops])
        self._weights = _steadiest(risen - truly[:, None])
        self._risen_by = risen @ self._weights
        self.moves = self._risen_by - truly

    def needed(self, place: int, elements: Sequence[tuple[Element, bool]]) -> Floats:
        """What must have passed at a stop for each of some elements to show what was read [ln]."""
        stop = self.stops[place]
        before = np.log(self._dry(stop, self.known.kept.elements[stop.life], stop.before, is_fresh=False))
        made = [np.log(self._dry(stop, element, stop.after, is_fresh=fresh)) for element, fresh in elements]
        return np.asarray(self._risen_by[place] - (np.array(made) - before))

    def _sides(self, stop: Stop) -> tuple[Floats, Floats]:
        at_s = self.known.draft.worked.at_s
        edges_s = np.array([at_s[rows[place]] for rows in (stop.before, stop.after) for place in (0, -1)])
        a, b, c, d = np.searchsorted(self._hour_s, edges_s - np.array((0.0, HOUR_S, 0.0, HOUR_S / 2)))
        return self._levels[a:b], self._levels[c:d]

    def _numbers(self, side: Floats) -> Floats:
        return np.r_[np.quantile(side, (0.25, 0.5, 0.75, 0.9)), side.mean()]

    def _risen(self, stop: Stop) -> float:
        """The true step of the dry level."""
        rows = stop.after
        element, dust = _truly_after(self.known, stop, rows)
        after = self.known.draft.physics.dry_pa(element, dust).mean()
        before = self._dry(stop, self.known.kept.elements[stop.life], stop.before, is_fresh=False)
        return float(np.log(after / before))

    def _dry(self, stop: Stop, element: Element, rows: Ints, *, is_fresh: bool) -> float:
        some = rows[:: max(len(rows) // FEW, 1)]
        dust = _dust(self.known, stop, element, some, is_fresh=is_fresh)
        return float(self.known.draft.physics.dry_pa(element, dust).mean())


Observer = ByReadings | ByHours


def _dust(known: Known, stop: Stop, element: Element, rows: Ints, is_fresh: bool) -> Floats:
    """Of an element that went in at a stop, or was in before."""
    return dust_of(known.draft.worked, element, stop.row if is_fresh else known.kept.rows[stop.life], rows)


def _truly_after(known: Known, stop: Stop, rows: Ints) -> tuple[Element, Floats]:
    is_fresh = stop.done != NOTHING
    element = known.kept.elements[stop.life + is_fresh]
    return element, _dust(known, stop, element, rows, is_fresh)


def _steadiest(steps: Floats) -> Floats:
    """Weights of numbers, with sum 1, with which their steps vary least."""
    if steps.shape[1] == 1 or len(steps) < 3:
        return np.full(steps.shape[1], 1.0 / steps.shape[1])
    spread = np.cov(np.clip(steps, -1.0, 1.0).T)
    spread = (1 - SHRINK) * spread + SHRINK * np.diag(np.diag(spread)) + 1e-6 * np.eye(len(spread))
    found = np.linalg.solve(spread, np.ones(len(spread)))
    return np.asarray(found / found.sum())


#: how often each case beside nothing comes at a stop, by its share and its level beside the limit
Rates = Callable[[float, float], Mapping[str, float]]


@dataclass(frozen=True, kw_only=True)
class Laws:
    """How often each case comes at a stop, and how levels move without one; of one fleet."""

    rates: Rates
    moves: Floats
    #: ln of clean levels beside the limit: middle and spread over machines
    clean: tuple[float, float]


def laws_of(seen: Sequence[Observer]) -> Laws:
    """From the truth of some machines."""
    stops = [stop for one in seen for stop in one.stops]
    place = np.array([np.searchsorted(SHARES, stop.share) for stop in stops])
    done = np.array([stop.done for stop in stops])
    size = len(SHARES) + 1
    of_all = np.bincount(place, minlength=size) + 0.5
    by_share = {case: (np.bincount(place[done == case], minlength=size) + 0.1) / of_all for case in CASES}
    by_share |= {case: np.full(size, np.mean(done == case)) for case in ("torn", "missing")}
    cleans = np.log([one.known.kept.lives[0].clean_pa / one.known.draft.limit_pa for one in seen])

    def rates(share: float, level: float) -> dict[str, float]:
        del level
        return {case: float(by_share[case][np.searchsorted(SHARES, share)]) for case in CASES[1:]}

    moves = np.concatenate([one.moves for one in seen])
    return Laws(rates=rates, moves=moves, clean=(float(cleans.mean()), float(cleans.std())))


def with_rates_of(laws: Laws, tuning: Tuning, hours_a_stop: float) -> Laws:
    """The same with what the analysis takes for how often each case comes (`explain`)."""

    def rates(share: float, level: float) -> dict[str, float]:
        del share
        loaded, latched = (
            1 / (1 + np.exp((bar - level) / tuning.loaded_width))
            for bar in (tuning.loaded_share, tuning.over_share)
        )
        factor = tuning.unloaded_factor
        factor += (tuning.loaded_factor - factor) * loaded
        factor += (tuning.over_factor - tuning.loaded_factor) * latched
        new = tuning.new_per_h * factor * hours_a_stop
        low = tuning.low_per_h * hours_a_stop + tuning.low_at_service * new
        return {"new": new, "cleaned": tuning.cleaned_share * new, "torn": low / 2, "missing": low / 2}

    return replace(laws, rates=rates)


def judge(
    seen: Observer,
    laws: Laws,
    *,
    every: int,
    is_clean_known: bool,
    chance: np.random.Generator,
    learns: Learns = Learns.ALL,
) -> Iterator[Judged]:
    """
    Each stop at which something was done, and one of so many of the others.

    learns : unless from all, `laws` has the moves of the other machines alone.
    """
    grid = _Density(laws.moves)
    hours = seen.known.draft.worked.hours
    at_h = np.array([hours[stop.row] for stop in seen.stops])
    others = 0
    for i, stop in enumerate(seen.stops):
        if stop.done == NOTHING:
            others += 1
            if others % every:
                continue
        own, share = _own_moves(seen.moves, at_h - at_h[i], learns)
        moves = _Moves(own=_Density(own), of_fleet=grid, share=share)
        found = _chances(seen, i, laws, moves, is_clean_known=is_clean_known, chance=chance)
        yield Judged(
            machine=seen.known.machine.name,
            at_s=seen.known.draft.worked.work_s(stop.row),
            proxy=seen.known.machine.proxy,
            done=stop.done,
            chances=found,
            weight=float(every) if stop.done == NOTHING else 1.0,
        )


def _own_moves(moves: Floats, away_h: Floats, learns: Learns) -> tuple[Floats, float]:
    """Moves of the machine itself that an observer knows at a stop, and their weight beside the others."""
    if learns is Learns.OTHERS:
        return moves[:0], 0.0
    if learns is Learns.ALL:
        return moves[np.abs(away_h) > 2 * WINDOW_H], OWN
    own = moves[away_h < -2 * WINDOW_H]
    return own, len(own) / (len(own) + PRIOR_STOPS)


class _Density:
    """A kernel density with a floor."""

    def __init__(self, values: Floats) -> None:
        self._step = 0.0025
        self._grid = np.arange(-4.0, 4.0, self._step)
        if len(values) == 0:
            self._height = np.zeros(len(self._grid))
            return
        middle = np.median(np.abs(values - np.median(values)))
        width = max(BAND, 0.5 * 1.4826 * float(middle) * len(values) ** -0.2)
        counts, _ = np.histogram(values, np.r_[self._grid, 4.0] - self._step / 2)
        kernel = np.exp(-0.5 * (np.arange(-0.6, 0.6, self._step) / width) ** 2)
        self._height = np.convolve(counts, kernel / kernel.sum(), mode="same") / len(values) / self._step

    def at(self, values: Floats) -> Floats:
        return np.interp(values, self._grid, self._height, left=0.0, right=0.0)


@dataclass(frozen=True, kw_only=True)
class _Moves:
    """How levels move where nothing is done: on the machine itself, whose share is given, and on others."""

    own: _Density
    of_fleet: _Density
    share: float

    def at(self, values: Floats) -> Floats:
        return self.share * self.own.at(values) + (1 - self.share) * self.of_fleet.at(values)


def _chances(
    seen: Observer,
    place: int,
    laws: Laws,
    moves: _Moves,
    *,
    is_clean_known: bool,
    chance: np.random.Generator,
) -> dict[str, float]:
    stop = seen.stops[place]
    away = _away(seen.known, stop, laws, is_clean_known=is_clean_known, chance=chance)
    rates = dict(laws.rates(stop.share, stop.level))
    rates[NOTHING] = max(1.0 - sum(rates.values()), 0.01)
    weights = dict.fromkeys(CASES, 0.0)
    for case in CASES:
        elements = list(_elements(seen.known, stop, case, chance))
        if elements:
            needed = seen.needed(place, elements)
            if case in AS_CLEAN:
                needed = np.resize(needed, DRAWS) - away
            weights[case] = rates[case] * float(np.mean(moves.at(needed) + LEAST_DENSITY))
    whole = sum(weights.values())
    return {case: weight / whole for case, weight in weights.items()}


def _away(
    known: Known, stop: Stop, laws: Laws, *, is_clean_known: bool, chance: np.random.Generator
) -> Floats:
    """How far what the observer takes for a clean level of the machine is from the true one [ln], by draw."""
    if is_clean_known:
        return np.zeros(DRAWS)
    kept = known.kept
    shown = sum(c.work is Work.NEW for c in kept.changes[: stop.life])
    if shown:
        return chance.normal(0.0, SEEN_CLEAN / np.sqrt(shown), DRAWS)
    truly = np.log(kept.lives[0].clean_pa / known.draft.limit_pa)
    drawn = chance.normal(*laws.clean, 8 * DRAWS)
    most = np.log(kept.lives[0].clean_pa / known.draft.limit_pa + max(stop.share, 0.0))  # it read more
    able = drawn[drawn <= most + 0.05]
    return np.asarray((able if len(able) >= DRAWS else drawn)[:DRAWS] - truly)


def _elements(
    known: Known, stop: Stop, case: str, chance: np.random.Generator
) -> Iterator[tuple[Element, bool]]:
    """Elements that may be in after a case, and whether their dust counts from the stop on."""
    kept, worked, physics = known.kept, known.draft.worked, known.draft.physics
    before = kept.elements[stop.life]
    at_s = float(worked.at_s[stop.row])
    if case == NOTHING:
        yield before, False
    elif case == "cleaned":
        if before.cleanings:
            return
        dust = float(dust_of(worked, before, kept.rows[stop.life], np.array([stop.row - 1]))[0])
        grid = np.linspace(0.0, dust, 200)
        levels = physics.dry_pa(before, grid)
        for back in chance.uniform(*RECOVERS, DRAWS):
            aim = levels[0] + (1 - back) * (levels[-1] - levels[0])
            yield replace(before, dust=float(np.interp(aim, levels, grid)), pace=1.4 * before.pace), True
    elif case == "missing":
        yield Element(made=physics.new_element(at_s, chance), resists=0.0), True
    else:
        for _ in range(DRAWS):
            resists = float(chance.uniform(*TORN_RESISTS)) if case == "torn" else 1.0
            yield Element(made=physics.new_element(at_s, chance), resists=resists), True
