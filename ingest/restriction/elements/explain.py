"""
What each step of a housing's level means: histories of the housing compared by likelihood.

Strategy: a history says at each step what happened: nothing, a new element, one cleaned by a share, an
element missing or torn, a tube off, water in the media, light work, or the end of one of these. It carries
the level that the running element should show, the clean level it began at, and what clean elements of the
machine read. Its weight is the product of stated priors (how often, how far, how long) and of the likelihood
of the levels. The most likely histories are kept; hours that come later weigh them again, so the first answer
comes with the first shift and the sure one when the data allow it.
Promises: pure and deterministic; computed in time order, so the order of arrival cannot matter.
Leaves to others: where the level steps (`pieces`), lives (`lives`), what people read of it (`verdict`).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.densities import LN_ROOT_2PI, NEVER, below, ln, mixed, student
from cleanside.ingest.restriction.elements.pieces import FLOW, Cut, LevelPiece
from cleanside.ingest.restriction.elements.step_response import StepResponse, StepResponses
from cleanside.ingest.restriction.measure.flow_response import FlowResponse
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.tuning import Tuning

#: what may have happened at a step
NOTHING_NEW, NEW, CLEANED, LOW, OFF = "nothing", "new", "cleaned", "low", "off"
WET, DRIED, LIGHT, BACK, EXCHANGED = "wet", "dried", "light", "back", "exchanged"
HAPPENINGS = (NOTHING_NEW, NEW, CLEANED, LOW, OFF, WET, DRIED, LIGHT, BACK, EXCHANGED)
#: how a machine runs between two steps: on its element, or in a state that passes
RUNS, PASSING = "runs", (LIGHT, WET, LOW, OFF)

NOT_OPENED = -1
OFF_MOST = 20.0  # so far above nothing [ln] a level is beyond NEVER; its square would leave the numbers


@dataclass(frozen=True, kw_only=True)
class Premises:
    """What is known beside the levels. Levels are logarithms."""

    limit: float | None  # None = not entered
    clean: float  # of a clean element, expected before any was seen
    clean_spread: float
    off: float  # level below which nothing is in the stream
    low_odds: float  # 1; less where neither limit nor kind say what a clean element reads
    by: int  # FLOW, SPEED or NOTHING: a place in the triples of `Tuning`
    #: first row of a piece -> what a person entered there ("new", "cleaned", "nothing")
    entered: Mapping[int, str]
    #: how restriction answers the flow, by the same rows as the pieces; None: not known
    response: FlowResponse | None = None


@dataclass(frozen=True, kw_only=True)
class LevelStep:
    """A step of the level with the probability of each happening."""

    row: int
    before: float  # ln(level)
    after: float
    chances: Mapping[str, float]

    def chance(self, *happenings: str) -> float:
        """That it was one of these."""
        return sum(self.chances.get(what, 0.0) for what in happenings)

    @property
    def ranked(self) -> list[tuple[str, float]]:
        """Happenings, the likeliest first."""
        return sorted(self.chances.items(), key=lambda item: (-item[1], item[0]))


@dataclass(frozen=True, kw_only=True)
class Explained:
    """The steps of a series, and how likely each piece was without a sound element."""

    steps: list[LevelStep]
    pieces: list[LevelPiece]
    low: list[float]  # of each piece: probability that the element was missing or torn, or a tube off
    #: what a clean element of the machine reads, by the likeliest history that ends without a sound element;
    #: where there is none, by the likeliest of all. ln(level)
    clean: float


class _Path(NamedTuple):
    """A history so far. Levels are logarithms."""

    weight: float  # ln of its probability
    state: str  # RUNS or one of PASSING
    base: float  # what the running element should show
    clean: float  # what it began at as a new one
    clean_var: float
    usual: float  # what clean elements of the machine read
    usual_var: float
    answer: float  # exponent of clean elements of the machine
    answer_var: float
    passed_h: float  # in the state
    highest: float  # level in the state
    age_h: float  # operating hours since the element was fitted; inf: before the machine was first seen
    happened: tuple[str, ...]
    states: tuple[str, ...]
    opened: int = NOT_OPENED  # the step at which a tube was left off after the element was changed


def explain(cut: Cut, around: Premises, tuning: Tuning) -> Explained:
    """Weigh the histories of a series. cut : at least one piece."""
    pieces = cut.pieces
    responses = StepResponses(pieces, around.response, around.by, tuning)
    paths = _first_paths(pieces[0], cut.spread, around, tuning, responses.of_clean)
    for number, (before, piece) in enumerate(itertools.pairwise(pieces), start=1):
        step = _StepOf(cut, before, piece, around, tuning, responses.at(number))
        paths = _best([path for old in paths for path in step.ways(old)], tuning)
    weights = _shares([path.weight for path in paths])
    return Explained(
        steps=[
            LevelStep(
                row=piece.first,
                before=before.finish,
                after=piece.start,
                chances=_chances(weights, [path.happened[number] for path in paths]),
            )
            for number, (before, piece) in enumerate(itertools.pairwise(pieces))
        ],
        pieces=pieces,
        low=[
            sum(w for w, path in zip(weights, paths, strict=True) if path.states[number] in (LOW, OFF))
            for number in range(len(pieces))
        ],
        clean=next((path for path in paths if path.state in (LOW, OFF)), paths[0]).usual,
    )


def _best(paths: list[_Path], tuning: Tuning) -> list[_Path]:
    ordered = sorted(paths, key=lambda path: (-path.weight, path.happened))[: tuning.paths]
    least = ordered[0].weight - tuning.worst_path
    return [path for path in ordered if path.weight >= least]


def _shares(weights: Sequence[float]) -> list[float]:
    highest = max(weights)
    parts = [math.exp(weight - highest) for weight in weights]
    return [part / sum(parts) for part in parts]


def _chances(weights: Sequence[float], happened: Sequence[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for weight, what in zip(weights, happened, strict=True):
        found[what] = found.get(what, 0.0) + weight
    return found


def _first_paths(
    piece: LevelPiece, spread: float, around: Premises, tuning: Tuning, of_clean: tuple[float, float]
) -> list[_Path]:
    """How a machine may have run when it was first seen."""
    usual_var = around.clean_spread**2
    sound = below((around.clean - piece.start) / math.hypot(around.clean_spread, tuning.element_spread))
    clean = min(around.clean, piece.start)
    base = _Path(
        weight=0.0,
        state=RUNS,
        base=piece.finish,
        clean=clean,
        clean_var=usual_var,
        usual=around.clean,
        usual_var=usual_var,
        answer=of_clean[0],
        answer_var=of_clean[1],
        passed_h=0.0,
        highest=max(piece.start, piece.finish),
        age_h=math.inf,
        happened=(),
        states=(RUNS,),
    )
    found = [base._replace(weight=ln(1.0 - sound))]
    if around.entered.get(0) == NEW:
        usual, var = _learned(around.clean, usual_var, piece.start, spread, tuning)
        found = [found[0]._replace(clean=piece.start, clean_var=spread**2, usual=usual, usual_var=var)]
    low = _low(piece, around.clean, usual_var, spread, tuning) + ln(tuning.low_at_first)
    off = _off(piece, around) + ln(tuning.low_at_first)
    for state, weight in ((LOW, low), (OFF, off)):
        expected = around.clean + 2 * tuning.element_spread
        found.append(
            base._replace(
                weight=weight + _lasting(state, piece, tuning),
                state=state,
                base=expected,
                clean=around.clean,
                passed_h=piece.hours,
                states=(state,),
            )
        )
    return _best(found, tuning)


class _StepOf:
    """One step, and what it means after each history."""

    def __init__(
        self,
        cut: Cut,
        before: LevelPiece,
        piece: LevelPiece,
        around: Premises,
        tuning: Tuning,
        response: StepResponse,
    ) -> None:
        self._before, self._piece, self._premises, self._tuning = before, piece, around, tuning
        self._pieces = cut.pieces
        self._response = response
        self._fall = before.finish - piece.start
        few = math.sqrt(tuning.level_h / max(1, min(tuning.level_h, piece.end - piece.first)))
        loaded = tuning.loading_spread * piece.missed_h
        self._spread = math.hypot(cut.spread * few, loaded)
        self._swelled_h = self._hours_on_the_way(cut)
        self._usual_pace = cut.pace
        self._pace = _pace(cut, before, piece, tuning)
        self._entered = around.entered.get(piece.first, "")
        self._if_stopped = 1.0 if piece.stopped else tuning.without_stop
        self._new_rate = tuning.new_per_h * self._loaded() * self._if_stopped

    def ways(self, path: _Path) -> list[_Path]:
        """The history with each thing that may have happened."""
        found = self._from_running(path) if path.state == RUNS else self._from_passing(path)
        return [self._answered(path, way) for way in found if way.weight > NEVER / 2]

    def _loaded(self) -> float:
        """How often elements at this level are changed, against the mean."""
        tuning, limit = self._tuning, self._premises.limit
        if limit is None:
            return 1.0
        share = math.exp(min(self._before.finish - limit, 2.0))
        rise = 1.0 / (1.0 + math.exp((tuning.loaded_share - share) / tuning.loaded_width))
        return tuning.unloaded_factor + (tuning.loaded_factor - tuning.unloaded_factor) * rise

    def _hours_on_the_way(self, cut: Cut) -> float:
        """Hours from when the level was last as low as after the step to the step; inf: never in sight."""
        if self._fall <= 0:
            return math.inf
        row = self._before.end
        first = max(0, row - self._tuning.swell_rows)
        way: FloatArray = cut.smooth[first:row]
        low = np.flatnonzero(way <= self._piece.start + self._tuning.swell_near * self._fall)
        return float(cut.run_h[row - 1] - cut.run_h[first + low[-1]]) if len(low) else math.inf

    # ------------------------------------------------------------ on the element

    def _from_running(self, path: _Path) -> list[_Path]:
        before, tuning, around = self._before, self._tuning, self._premises
        found = [self._stays(path, before.finish), *self._other_element(path, before.finish)]
        found += [*self._without_element(path, before.finish), self._exchanged(path)]
        if self._fall > 0:
            rate, size = tuning.light_per_h[around.by], tuning.light_step[around.by]
            odd = tuning.odd_per_h * math.exp(-self._fall / tuning.odd_step) / tuning.odd_step
            most = tuning.light_most[around.by]
            beyond = max(self._fall - most, 0.0) / tuning.light_most_spread
            light = ln(rate * math.exp(-self._fall / size - beyond**2) / size + odd)
            found.append(self._passing(path, LIGHT, light, before.finish))
            if math.isfinite(self._swelled_h):
                dried = ln(tuning.wet_per_h / tuning.wet_step) - self._swelled_h / tuning.swell_h
                dried += self._without_load() - self._fall / tuning.wet_step
                found.append(self._runs(path, DRIED, dried))
        else:
            size = tuning.wet_step
            beyond = max(-self._fall - tuning.wet_most[0], 0.0) / tuning.wet_most[1]
            wet = ln(tuning.wet_per_h) + self._fall / size - ln(size) - beyond**2
            found.append(self._passing(path, WET, wet, before.finish))
            found.append(self._dries(path, WET, wet, before.finish))
        return found

    def _without_load(self) -> float:
        """ln of how likely the element did not load while it was wet."""
        loaded = self._usual_pace * self._swelled_h
        spread = self._tuning.pace_spread * loaded + 2 * self._spread
        return -0.5 * (loaded / spread) ** 2

    def _stays(self, path: _Path, expected: float) -> _Path:
        """Nothing happened: the level wandered, or rose in hours that were not seen."""
        loaded = self._tuning.loading_per_h * self._piece.missed_h
        weight = student(self._piece.start - expected - loaded, self._spread)
        return self._runs(path, NOTHING_NEW, weight)

    def _other_element(self, path: _Path, base: float) -> list[_Path]:
        """A new element, or the same one cleaned."""
        if self._entered == "nothing" or base - self._piece.start < self._tuning.least_step / 2:
            return []
        new, cleaned = self._new(path), self._cleaned(path, base)
        return [way for way in (new, cleaned) if way is not None]

    def _rate_of(self, what: str, path: _Path) -> float:
        """ln of how likely an opening with this outcome is at this step."""
        tuning = self._tuning
        if self._entered in (NEW, CLEANED):
            return ln(tuning.entered_right if self._entered == what else tuning.entered_other)
        young = 1.0 if math.isinf(path.age_h) else path.age_h / (path.age_h + tuning.young_h)
        return ln(self._new_rate * young * (tuning.cleaned_share if what == CLEANED else 1.0))

    def _new(self, path: _Path) -> _Path:
        piece, tuning = self._piece, self._tuning
        var = path.usual_var + tuning.element_spread**2 + self._spread**2
        weight = self._rate_of(NEW, path) + mixed(piece.start - path.usual, math.sqrt(var), tuning)
        weight += _as_slow(self._pace, self._tuning.pace_new, self._tuning.pace_least)
        answer, answer_var = self._response.learned(path.answer, path.answer_var)
        usual, usual_var = _learned(path.usual, path.usual_var, piece.start, self._spread, tuning)
        way = self._runs(path, NEW, weight)
        return way._replace(
            clean=piece.start,
            clean_var=self._spread**2,
            usual=usual,
            usual_var=usual_var,
            answer=answer,
            answer_var=answer_var,
            age_h=piece.hours,
        )

    def _cleaned(self, path: _Path, base: float) -> _Path | None:
        """Part of the rise above clean stays, evenly between two shares."""
        low, high = self._tuning.kept_share
        rise = math.exp(base) - math.exp(path.clean)
        if rise <= 0:
            return None
        level = math.exp(self._piece.start)
        kept = (level - math.exp(path.clean)) / rise
        soft = (self._spread + math.sqrt(path.clean_var)) * level / rise + 1e-9
        inside = below((kept - low) / soft) * below((high - kept) / soft)
        weight = (
            _as_slow(self._pace, self._tuning.pace_cleaned, self._tuning.pace_least)
            + self._rate_of(CLEANED, path)
            + ln(inside * level / rise / (high - low))
        )
        return self._runs(path, CLEANED, weight)

    def _without_element(self, path: _Path, base: float) -> list[_Path]:
        tuning, piece = self._tuning, self._piece
        if base < piece.start:
            return []
        opened = 1.0 if self._entered in (NEW, CLEANED) else self._new_rate
        rate = tuning.low_per_h + tuning.low_at_service * opened
        low = ln(rate * self._premises.low_odds) + _above_nothing(piece, self._premises)
        low += _low(piece, *_sound(path), self._spread, tuning)
        off, at_service = _off(piece, self._premises), ln(tuning.off_at_service * opened)
        return [
            self._passing(path, LOW, low, base),
            self._passing(path, OFF, ln(tuning.off_per_h) + off, base),
            self._passing(path._replace(opened=len(path.happened)), OFF, at_service + off, path.usual),
        ]

    def _answered(self, path: _Path, way: _Path) -> _Path:
        """With how likely the flow response after the step is."""
        what, response = way.happened[-1], self._response
        if not response.shows or what == OFF:
            return way
        clean = path.answer, path.answer_var
        if what == NEW or (what == BACK and path.opened != NOT_OPENED):
            weight = response.as_new(*clean)
        elif what == CLEANED:
            weight = response.as_cleaned(*clean)
        elif what == LOW:
            weight = response.as_low(*clean)
        elif what == BACK and path.state in (LOW, OFF):
            weight = response.as_loaded(*clean)
        else:
            weight = response.as_before(*clean)
        return way._replace(weight=way.weight + weight)

    # ------------------------------------------------------------ in a state that passes

    def _from_passing(self, path: _Path) -> list[_Path]:
        ends = -ln(self._lasts_h(path.state))
        if path.opened == NOT_OPENED:
            back = self._runs(path, BACK, ends + self._as_before(path))
        else:
            back = self._back_on_another(path, ends)
        goes_on = self._passing(path, path.state, self._goes_on(path), path.base, what=NOTHING_NEW)
        found = [back, goes_on, self._exchanged(path)]
        if path.state == WET:
            found.append(self._dries(path, NOTHING_NEW, self._goes_on(path), path.base))
        faulty = path.state in (LOW, OFF)
        if faulty:
            new = self._new(path)
            new_of = self._tuning.mended_new if path.state == LOW else self._tuning.mended_off
            mended = ends + ln(new_of * path.passed_h / (path.passed_h + self._tuning.young_h))
            if self._entered == NEW:
                mended = ln(self._tuning.entered_right)
            found.append(new._replace(weight=new.weight - self._rate_of(NEW, path) + mended))
        else:
            found += self._other_element(path, max(path.base, self._before.finish))
        found += [way for way in self._without_element(path, path.base) if way.state != path.state]
        return found

    def _goes_on(self, path: _Path) -> float:
        """ln density of the level while a state lasts; without an element it stays below a clean one."""
        if path.state == OFF:
            return _off(self._piece, self._premises)
        stays = student(self._piece.start - self._before.finish, self._spread)
        if path.state == WET and path.base < self._piece.start < self._before.finish:
            return max(stays, -ln(self._tuning.dries_h) - ln(self._before.finish - path.base))
        if path.state != LOW:
            return stays
        return max(stays, self._moves_low(path))

    def _moves_low(self, path: _Path) -> float:
        """ln density of a step without a sound element: what is left gets wet and dry as any other."""
        tuning, by = self._tuning, self._premises.by
        if self._piece.start <= path.highest:  # and the work is light or hard
            size = tuning.low_step[by]
            return -ln(tuning.dries_h * size) - abs(self._fall) / size
        size, beyond = tuning.low_step[FLOW], max(-self._fall - tuning.wet_most[0], 0.0) / tuning.wet_most[1]
        return ln(tuning.wet_per_h / size) - abs(self._fall) / size - beyond**2

    def _dries(self, path: _Path, what: str, weight: float, base: float) -> _Path:
        """Wet at the step, and dry again by the end of the piece."""
        piece, tuning = self._piece, self._tuning
        if piece.finish > (piece.start + base) / 2:
            return self._runs(path, what, NEVER)
        loaded, away = tuning.loading_per_h * piece.hours, piece.finish - base
        dry = student(max(away - loaded, 0.0) if away > 0 else away, 2 * self._spread)
        return self._runs(path, what, weight - ln(tuning.wet_h) + dry)

    def _exchanged(self, path: _Path) -> _Path:
        """Another sensor, or what no other happening explains: any step, up or down."""
        size = self._tuning.exchanged_step
        weight = ln(self._tuning.exchanged_per_h * self._if_stopped) - abs(self._fall) / size - ln(2 * size)
        return self._runs(path, EXCHANGED, weight)

    def _as_before(self, path: _Path) -> float:
        """ln density of the level once a passing state is over: as before, or higher by what it loaded."""
        away = self._piece.start - path.base
        passed_h = path.passed_h + self._piece.missed_h
        if away > 0:
            loaded = self._tuning.loading_per_h * passed_h
            wide = self._spread + self._tuning.loading_spread * passed_h / 2
            return student(max(away - loaded, 0.0), wide)
        return student(away, self._spread * math.sqrt(2.0))

    def _back_on_another(self, path: _Path, ends: float) -> _Path:
        """The tube is on again; the element was changed when it came off, or cleaned as a person entered."""
        new = self._new(path)
        was = self._premises.entered.get(self._pieces[path.opened + 1].first)
        was = CLEANED if was == CLEANED else NEW
        if was == CLEANED:  # it shows no clean level
            new = self._runs(path, BACK, new.weight - path.weight)
        return new._replace(
            weight=new.weight - self._rate_of(NEW, path) + ends,
            age_h=path.passed_h + self._piece.hours,
            happened=(*path.happened[: path.opened], was, *path.happened[path.opened + 1 :], BACK),
            opened=NOT_OPENED,
        )

    def _stays_low(self, path: _Path) -> float:
        """How sure the level is below that of a clean element: what is left of one loads too."""
        return _is_below(self._piece.finish, *_sound(path), self._spread, self._tuning)

    def _lasts_h(self, state: str) -> float:
        return _lasts_h(state, self._tuning)

    def _runs(self, path: _Path, what: str, weight: float) -> _Path:
        """The machine runs on its element from here."""
        return path._replace(
            weight=path.weight + weight,
            state=RUNS,
            base=self._piece.finish,
            passed_h=0.0,
            opened=NOT_OPENED,
            age_h=path.age_h + self._piece.hours + self._piece.missed_h,
            happened=(*path.happened, what),
            states=(*path.states, RUNS),
        )

    def _passing(self, path: _Path, state: str, weight: float, base: float, *, what: str = "") -> _Path:
        """The machine is in a state that passes; its element stays at `base`."""
        is_same = path.state == state
        passed_h = self._piece.hours + (path.passed_h if is_same else 0.0)
        levels = (self._piece.start, self._piece.finish, *([path.highest] if is_same else []))
        if state == LOW:  # once it reads what an element reads, it is one
            weight += ln(self._stays_low(path))
        return path._replace(
            weight=path.weight + weight + _lasting(state, self._piece, self._tuning),
            state=state,
            base=base,
            passed_h=passed_h,
            highest=max(levels),
            opened=path.opened if state == OFF else NOT_OPENED,
            age_h=path.age_h + self._piece.hours + self._piece.missed_h,
            happened=(*path.happened, what or state),
            states=(*path.states, state),
        )


def _sound(path: _Path) -> tuple[float, float]:
    """The level of a clean element and its variance: that of the running one, or what is usual if lower."""
    return min((path.clean, path.clean_var), (path.usual, path.usual_var))


def _learned(usual: float, var: float, level: float, spread: float, tuning: Tuning) -> tuple[float, float]:
    """What clean elements of the machine read, and its variance, after one more was seen."""
    own = tuning.element_spread**2 + spread**2
    least = (tuning.element_spread / 4) ** 2
    return usual + var / (var + own) * (level - usual), max(var * own / (var + own), least)


class _Pace(NamedTuple):
    """How long the level took over the same way after a fall, against before it. ln of hours."""

    ratio: float
    is_over: bool  # False: it has taken that long, and is not there yet


def _pace(cut: Cut, before: LevelPiece, piece: LevelPiece, tuning: Tuning) -> _Pace | None:
    """None where the level did not come up that way before, or too little was seen since."""
    fall = before.finish - piece.start
    if fall < tuning.least_step:
        return None
    high = piece.start + tuning.pace_way * fall
    earlier = cut.smooth[max(0, before.end - tuning.pace_rows) : before.end]
    later = cut.smooth[piece.first : piece.first + tuning.pace_rows]
    fallen = np.flatnonzero(later < piece.start - tuning.least_step)
    later = later[: fallen[0]] if len(fallen) else later
    lows = np.flatnonzero(earlier <= piece.start + cut.spread)
    highs = np.flatnonzero(earlier >= high)
    if len(lows) == 0 or len(highs) == 0 or highs[-1] <= lows[-1]:
        return None
    begun = before.end - len(earlier)
    took = _between(cut, begun + lows[-1], begun + highs[highs > lows[-1]][0])
    reached = np.flatnonzero(later >= high)
    takes = _between(cut, piece.first, piece.first + (reached[0] if len(reached) else len(later) - 1))
    return _Pace(math.log(takes / took), len(reached) > 0)


def _between(cut: Cut, first: int, last: int) -> float:
    """Operating hours from one row to another, at least one. [h]"""
    return max(float(cut.run_h[last] - cut.run_h[first]), 1.0)


def _as_slow(pace: _Pace | None, expected: tuple[float, float], least: float) -> float:
    """ln density of a pace, or of one at least as slow; never below `least`."""
    if pace is None:
        return 0.0
    middle, spread = expected
    away = (pace.ratio - middle) / spread
    density = -0.5 * away**2 - math.log(spread) - LN_ROOT_2PI
    return max(density if pace.is_over else ln(below(-away)), least)


def _lasts_h(state: str, tuning: Tuning) -> float:
    return {WET: tuning.wet_h, LIGHT: tuning.light_h}.get(state, tuning.low_h)


def _lasting(state: str, piece: LevelPiece, tuning: Tuning) -> float:
    """ln of the likelihood that a passing state lasted through a piece, which rose as it did."""
    rise = max(piece.finish - piece.start, 0.0) / (
        tuning.low_rise if state in (LOW, OFF) else tuning.passing_rise
    )
    return -piece.hours / _lasts_h(state, tuning) - 0.5 * rise**2


def _low(piece: LevelPiece, clean: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    """ln density of the first level with an element torn, missing or not seated: below any clean element."""
    sure = _is_low(piece.start, clean, clean_var, spread, tuning)
    return ln(sure) + min(piece.start - clean - math.log(tuning.low_share), 0.0)


def _is_low(level: float, clean: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    """How sure a level is below any clean element."""
    return _is_below(level, clean + math.log(tuning.low_share), clean_var, spread, tuning)


def _is_below(level: float, highest: float, clean_var: float, spread: float, tuning: Tuning) -> float:
    return below((highest - level) / math.sqrt(clean_var + tuning.element_spread**2 / 4 + spread**2))


def _off(piece: LevelPiece, around: Premises) -> float:
    """ln density of the first level with a tube off: next to nothing."""
    away = math.exp(min(piece.start - around.off, OFF_MOST))
    return piece.start - around.off - 0.5 * away**2 + 0.5 * math.log(2 / math.pi)


def _above_nothing(piece: LevelPiece, around: Premises) -> float:
    """ln of how sure a level is above nothing: without an element the ducts still resist."""
    return ln(-math.expm1(-0.5 * math.exp(2 * min(piece.start - around.off, OFF_MOST))))
