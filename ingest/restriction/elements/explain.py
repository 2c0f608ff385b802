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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple, TypeVar

import numpy as np

from cleanside.ingest.restriction.elements.at_once import too_soon_dry, too_soon_wet
from cleanside.ingest.restriction.elements.densities import ROOT_2PI, below, ln, mixed, student
from cleanside.ingest.restriction.elements.faulty_levels import above_nothing, as_low, as_off, is_below
from cleanside.ingest.restriction.elements.followed import Followed, FollowedStep
from cleanside.ingest.restriction.elements.noted_clean import KnownClean, NotedClean, with_note
from cleanside.ingest.restriction.elements.paces import as_slow, pace_of
from cleanside.ingest.restriction.elements.pieces import FLOW, SPEED, Cut, LevelPiece
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

NOT_OPENED = -1  # index: of no step
#: ln odds that no other fact makes up for (chosen: another sensor explains any step far better)
HOPELESS = -100.0
#: by that part of how much elements differ is known at best what clean ones read (chosen: of some 16 lives)
BEST_KNOWN = 4


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
    #: rows before which a person looked at the element and put it back
    inspected: frozenset[int] = frozenset()
    #: what a person noted of a new element in this machine; None: nothing
    noted: NotedClean | None = None
    #: the level is that of full flow, whatever the work
    full_flow_known: bool = True


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
    #: the same by the pieces up to it alone, of what lasted long enough to warn of
    low_then: list[float]
    #: what a clean element of the machine reads, by the likeliest history that ends without a sound element;
    #: where there is none, by the likeliest of all. ln(level)
    clean: float
    noted_holds: float = 0.0  # probability that what a person noted of a clean element holds


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
    opened: int = NOT_OPENED  # the step at which the element was changed, if its level does not show yet
    by_note: bool = False  # it takes what a person noted of a clean element for right


#: the histories after each step of a housing, as last followed
FollowedHistories = Followed[list[_Path]]

#: clean, clean_var, usual, usual_var, answer and answer_var of a history
_CleanLevels = tuple[float, float, float, float, float, float]


class _Way(NamedTuple):
    """What may have happened at a step after a history. The history with it is made only if it is kept."""

    weight: float  # ln of the probability of the history with it
    path: _Path
    what: str
    state: str = RUNS
    base: float = math.nan  # of a state that passes: what the running element should show
    is_clean: bool = False  # another element, which shows its clean level
    was: str = ""  # what was done where the tube was left off, now that it shows
    opened: int = NOT_OPENED


Weighted = TypeVar("Weighted", _Path, _Way)


def explain(
    cut: Cut, around: Premises, tuning: Tuning, followed: FollowedHistories | None = None
) -> Explained:
    """
    Weigh the histories of a series. cut : at least one piece.

    followed : the run before, of the same housing; as far as its steps are the same they are taken from it.
    """
    pieces = cut.pieces
    each = (FollowedHistories() if followed is None else followed).along(_steps(cut, around, tuning))
    paths = each[-1]
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
        low_then=[_low_now(then, tuning.warn_after_h[around.by]) for then in each],
        clean=next((path for path in paths if path.state in (LOW, OFF)), paths[0]).usual,
        noted_holds=sum(w for w, path in zip(weights, paths, strict=True) if path.by_note),
    )


def _steps(cut: Cut, around: Premises, tuning: Tuning) -> Iterator[FollowedStep[list[_Path]]]:
    """The first piece, and the step to each that follows; what follows are the likeliest histories so far."""
    pieces = cut.pieces
    responses = StepResponses(pieces, around.response, around.by, tuning)
    of_all = cut.spread, cut.edge_spread, cut.pace, cut.stops, responses.of_clean
    yield FollowedStep(
        (pieces[0], of_all, replace(around, response=None), tuning),
        lambda _: _first_paths(pieces[0], cut.spread, around, tuning, responses.of_clean),
    )
    for number, (before, piece) in enumerate(itertools.pairwise(pieces), start=1):
        step = _StepOf(cut, before, piece, around, tuning, responses.at(number))
        yield FollowedStep(step.rests_on, step.histories)


def _low_now(paths: Sequence[_Path], least_h: float) -> float:
    """Probability that a tube is off at the newest piece, or no sound element was in for that long."""
    weights = _shares([path.weight for path in paths])
    return sum(weight for weight, path in zip(weights, paths, strict=True) if _is_low(path, least_h))


def _is_low(path: _Path, least_h: float) -> bool:
    return path.state == OFF or (path.state == LOW and path.passed_h >= least_h)


def _best(found: list[Weighted], tuning: Tuning) -> list[Weighted]:
    """The likeliest first."""
    least = max(one.weight for one in found) - tuning.worst_path
    likely = [one for one in found if one.weight >= least]
    return sorted(likely, key=lambda one: -one.weight)[: tuning.paths]


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
    """How a machine may have run when it was first seen, with what a person noted and as if nothing was."""
    cases = with_note(KnownClean(around.clean, around.clean_spread**2), around.noted, tuning)
    found = [path for known in cases for path in _first_of(piece, spread, known, around, tuning, of_clean)]
    return _best(found, tuning)


def _first_of(
    piece: LevelPiece,
    spread: float,
    known: KnownClean,
    around: Premises,
    tuning: Tuning,
    of_clean: tuple[float, float],
) -> list[_Path]:
    """How a machine may have run when it was first seen."""
    usual_var = known.var
    wide = math.hypot(math.sqrt(usual_var), tuning.element_spread, spread)
    sound = below((known.clean - piece.start) / wide)
    clean = min(known.clean, piece.start)
    base = _Path(
        weight=known.weight,
        state=RUNS,
        base=piece.finish,
        clean=clean,
        clean_var=usual_var,
        usual=known.clean,
        usual_var=usual_var,
        answer=of_clean[0],
        answer_var=of_clean[1],
        passed_h=0.0,
        highest=max(piece.start, piece.finish),
        age_h=math.inf,
        happened=(),
        states=(RUNS,),
        by_note=known.by_note,
    )
    found = [base._replace(weight=known.weight + ln(1.0 - sound))]
    if around.entered.get(0) == NEW:
        usual, var = _learned(known.clean, usual_var, piece.start, spread, tuning)
        found = [found[0]._replace(clean=piece.start, clean_var=spread**2, usual=usual, usual_var=var)]
    seen = ln(tuning.inspected_wrong) if any(row <= piece.end for row in around.inspected) else 0.0
    low = as_low(piece.start, known.clean, usual_var, spread, tuning) + ln(tuning.low_at_service) + seen
    off = as_off(piece.start, around.off) + ln(tuning.low_at_service)
    for state, weight in ((LOW, low), (OFF, off)):
        expected = known.clean + 2 * tuning.element_spread
        found.append(
            base._replace(
                weight=known.weight + weight + _lasting(state, piece, around.by, tuning),
                state=state,
                base=expected,
                clean=known.clean,
                passed_h=piece.hours,
                states=(state,),
            )
        )
    if not around.full_flow_known:
        expected = known.clean + 2 * tuning.element_spread
        found.append(
            base._replace(
                weight=known.weight + _first_light(piece, known.clean, around.by, tuning),
                state=LIGHT,
                base=expected,
                clean=known.clean,
                passed_h=piece.hours,
                states=(LIGHT,),
            )
        )
    return found


def _first_light(piece: LevelPiece, clean: float, by: int, tuning: Tuning) -> float:
    """
    ln of how likely light work when a machine was first seen read that far below a clean element.

    Where full flow is learned it is learned by that work, so the level is no surer than by engine speed.
    """
    by = SPEED if by == FLOW else by
    under = max(clean - piece.start, 0.0)
    evenly = ln(1.0 - under / tuning.light_most[by])
    return ln(tuning.light_share[by]) + evenly + _lasting(LIGHT, piece, by, tuning)


class _StepOf:
    """One step, and what it means after each history. What all histories share is computed once."""

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
        self._fall, self._level = before.finish - piece.start, math.exp(piece.start)
        few = math.sqrt(tuning.level_h / max(1, min(tuning.level_h, piece.end - piece.first)))
        loaded = tuning.loading_spread * piece.missed_h
        self._spread = math.hypot(cut.spread * few, loaded)
        self._edge_spread = math.hypot(cut.edge_spread, loaded)
        self._swelled_h = self._hours_on_the_way(cut)
        self._usual_pace = cut.pace
        self._pace = pace_of(cut, before, piece, tuning)
        self._entered = around.entered.get(piece.first, "")
        self._if_stopped = _if_stopped(piece, cut.stops, tuning)
        is_entered = self._entered in (NEW, CLEANED)
        #: ln of how likely an entry of an opening is wrong, where none is at this step
        self._entry_is_wrong = ln(1.0 - tuning.entered_right - tuning.entered_other) if is_entered else 0.0
        #: ln of how likely there is no sound element although a person saw one since the step
        looked = any(piece.first < row <= piece.end for row in around.inspected)
        self._if_seen = ln(tuning.inspected_wrong) if looked else 0.0
        self._rate = tuning.new_per_h * self._if_stopped
        self._new_rate = self._rate * self._loaded(around.clean, around.clean_spread**2)
        self._lasting = {state: _lasting(state, piece, around.by, tuning) for state in PASSING}
        #: by the clean level of a history and its variance
        self._as_new: dict[tuple[float, float], float] = {}
        self._as_low: dict[tuple[float, float], tuple[float, float]] = {}
        #: what weighs less is not kept, whatever comes; without what the flow response adds at most
        self._least = -math.inf

    @property
    def rests_on(self) -> tuple[object, ...]:
        """All that the step depends on beside what is one for all steps."""
        return self._before, self._piece, self._swelled_h, self._pace, self._response.exponents

    def histories(self, paths: list[_Path]) -> list[_Path]:
        """The likeliest histories after the step, from those before it. Likeliest first."""
        ways = _best([way for path in paths for way in self.ways(path)], self._tuning)
        return [self.follow(way) for way in ways]

    def ways(self, path: _Path) -> list[_Way]:
        """What may have happened after a history, less what is sure to be dropped. Likeliest first."""
        return self._from_running(path) if path.state == RUNS else self._from_passing(path)

    def follow(self, way: _Way) -> _Path:
        """The history with what happened."""
        path, piece, runs = way.path, self._piece, way.state == RUNS
        is_same = way.state == path.state
        levels = (piece.start, piece.finish, *([path.highest] if is_same else []))
        hidden_h = piece.missed_h + (path.passed_h if way.was else 0.0)
        clean = self._clean_levels(path, hidden_h) if way.is_clean else _clean_levels_of(path)
        return _Path(
            way.weight,
            way.state,
            piece.finish if runs else way.base,
            *clean,
            0.0 if runs else piece.hours + (path.passed_h if is_same else 0.0),
            path.highest if runs else max(levels),
            self._age_h(way),
            (*_corrected(path, way.was), way.what),
            (*path.states, way.state),
            way.opened,
            path.by_note,
        )

    def _age_h(self, way: _Way) -> float:
        path, piece = way.path, self._piece
        if way.was:
            return path.passed_h + piece.hours
        return piece.hours if way.what == NEW else path.age_h + piece.hours + piece.missed_h

    def _clean_levels(self, path: _Path, hidden_h: float) -> _CleanLevels:
        """
        What a history knows of clean elements once it has learned from one more.

        hidden_h : hours for which it may have been at work already. After a day or more of them the level is
        that of a loaded element: it tells only that a clean one reads no more.
        """
        level, usual = self._piece.start, (path.usual, path.usual_var)
        answer = self._response.learned(path.answer, path.answer_var)
        if hidden_h >= self._tuning.settle_h and level > path.usual:
            return (*usual, *usual, *answer)
        learned = _learned(*usual, level, self._spread, self._tuning)
        return (level, self._spread**2, *learned, *answer)

    # ------------------------------------------------------------ the same after every history

    def _loaded(self, clean: float, clean_var: float) -> float:
        """
        How often elements at this level are changed, against the mean.

        clean, clean_var : of clean elements, by which a limit that is not known is judged.
        """
        tuning, limit = self._tuning, self._premises.limit
        width = tuning.loaded_width
        if limit is None:
            limit = clean - ln(tuning.clean_share)
        share = math.exp(min(self._before.finish - limit, 2.0))
        if self._premises.limit is None:
            width = math.hypot(width, share * math.sqrt(clean_var + tuning.clean_spread**2))
        loaded = _is_beyond(share, tuning.loaded_share, width)
        factor = tuning.unloaded_factor + (tuning.loaded_factor - tuning.unloaded_factor) * loaded
        if self._premises.limit is None:  # no indicator latches at a limit that is not known
            return factor
        latched = _is_beyond(share, tuning.over_share, width)
        return factor + (tuning.over_factor - tuning.loaded_factor) * latched

    def _hours_on_the_way(self, cut: Cut) -> float:
        """Hours from when the level was last as low as after the step to the step; inf: never in sight."""
        if self._fall <= 0:
            return math.inf
        row = self._before.end
        way: FloatArray = cut.smooth[:row]
        low = np.flatnonzero(way <= self._piece.start + self._tuning.swell_near * self._fall)
        return float(cut.run_h[row - 1] - cut.run_h[low[-1]]) if len(low) else math.inf

    @cached_property
    def _stays(self) -> float:
        """ln density where nothing happened: the level wandered, or rose in hours that were not seen."""
        loaded = self._tuning.loading_per_h * self._piece.missed_h
        wandered = student(self._piece.start - self._before.finish - loaded, self._spread)
        return min(wandered, self._at_once)

    @cached_property
    def _at_once(self) -> float:
        """ln density of the fall at its very hour, as far as it stayed, where nothing happened then."""
        loaded = self._tuning.loading_per_h * self._piece.missed_h
        stayed = min(self._piece.edge, max(self._fall, 0.0))
        return student(stayed + loaded, self._edge_spread)

    @cached_property
    def _too_soon_wet(self) -> float:
        return too_soon_wet(self._piece, self._edge_spread, self._tuning)

    def _too_soon_dry(self, fall: float) -> float:
        return too_soon_dry(self._piece, fall, self._edge_spread, self._tuning)

    @cached_property
    def _lightens(self) -> float:
        """ln density of a fall with lighter work, or of readings at fault for hours."""
        tuning, by = self._tuning, self._premises.by
        rate, size = tuning.light_per_h[by], tuning.light_step[by]
        odd = tuning.odd_per_h * math.exp(-self._fall / tuning.odd_step) / tuning.odd_step
        beyond = max(self._fall - tuning.light_most[by], 0.0) / tuning.light_most_spread
        return ln(rate * math.exp(-self._fall / size - beyond**2) / size + odd)

    @cached_property
    def _dried(self) -> float:
        """ln density of a fall to where the level was before the element swelled unnoticed."""
        tuning = self._tuning
        dried = ln(tuning.wet_per_h / tuning.wet_step) - self._swelled_h / tuning.swell_h
        return dried + self._without_load() - self._fall / tuning.wet_step + self._too_soon_dry(self._fall)

    def _without_load(self) -> float:
        """ln of how likely the element did not load while it was wet."""
        loaded = self._usual_pace * self._swelled_h
        spread = self._tuning.pace_spread * loaded + 2 * self._spread
        return -0.5 * (loaded / spread) ** 2

    @cached_property
    def _swells(self) -> float:
        """ln density of a rise by water in the media."""
        size = self._tuning.wet_step
        beyond = max(-self._fall - self._tuning.wet_most[0], 0.0) / self._tuning.wet_most[1]
        return ln(self._tuning.wet_per_h) + self._fall / size - ln(size) - beyond**2

    @cached_property
    def _exchanges(self) -> float:
        """ln density with another sensor, or what no other happening explains: any step, up or down."""
        size = self._tuning.exchanged_step
        return ln(self._tuning.exchanged_per_h * self._if_stopped) - abs(self._fall) / size - ln(2 * size)

    @cached_property
    def _reads_nothing(self) -> float:
        return as_off(self._piece.start, self._premises.off)

    @cached_property
    def _comes_off(self) -> tuple[float, float]:
        """ln of how often a tube comes off by itself, and is left off when the housing was opened."""
        return ln(self._tuning.off_per_h), ln(self._tuning.off_at_service * self._opened)

    @cached_property
    def _goes_low(self) -> float:
        """ln of how often an element is torn or missing, at a level above nothing."""
        rate = self._tuning.low_per_h * self._if_stopped + self._tuning.low_at_service * self._opened
        return ln(rate * self._premises.low_odds) + above_nothing(self._piece.start, self._premises.off)

    @cached_property
    def _comes_back_as_cleaned(self) -> float:
        """ln density of the pace with a cleaned element."""
        return as_slow(self._pace, self._tuning.pace_cleaned, self._tuning.pace_least)

    @cached_property
    def _comes_back_as_new(self) -> float:
        """ln density of the pace with a new element."""
        return as_slow(self._pace, self._tuning.pace_new, self._tuning.pace_least)

    @cached_property
    def _loads_as_little(self) -> float:
        """ln of how likely an element that was just fitted, or cleaned, rose no more than this one did."""
        piece, tuning, limit = self._piece, self._tuning, self._premises.limit
        if limit is None or piece.start >= limit or not piece.hours:
            return 0.0
        start = math.exp(piece.start)
        rose = max(math.exp(piece.finish) - start, 0.0) + 2 * self._spread * start
        lasts_h = piece.hours * ((math.exp(limit) - start) / rose) ** (1.0 / tuning.loads_as)
        usual_h, spread = tuning.lasts
        return max(ln(below((math.log(usual_h) - math.log(lasts_h)) / spread)), tuning.flat_least)

    @cached_property
    def _opened(self) -> float:
        """How likely the housing was opened at this step."""
        return 1.0 if self._entered in (NEW, CLEANED) else self._new_rate

    # ------------------------------------------------------------ on the element

    def _from_running(self, path: _Path) -> list[_Way]:
        base = self._before.finish
        found = [*self._runs(path, NOTHING_NEW, self._stays), *self._other_element(path, base)]
        found += [*self._without_element(path, base), *self._runs(path, EXCHANGED, self._exchanges)]
        if self._fall > 0:
            found += self._passing(path, LIGHT, self._lightens, base)
            if math.isfinite(self._swelled_h):
                found += self._runs(path, DRIED, self._dried)
        else:
            found += self._passing(path, WET, self._swells, base)
            found += self._dries(path, WET, self._swells, base)
        return found

    def _other_element(self, path: _Path, base: float) -> list[_Way]:
        """A new element, or the same one cleaned."""
        if self._entered == "nothing" or base - self._piece.start < self._tuning.least_step / 2:
            return []
        rate = self._rate_of(NEW, path)
        new = self._runs(path, NEW, rate + self._new_level(path), is_clean=True)
        return [*new, *self._new_in_light_work(path, rate), *self._cleaned(path, base)]

    def _new_in_light_work(self, path: _Path, rate: float) -> list[_Way]:
        """
        A new element while the work is light: it reads below a clean one until the work is hard again.

        rate : ln of how likely a new one went in at this step.
        """
        tuning, by = self._tuning, self._premises.by
        under, size = path.usual - self._piece.start, tuning.light_step[by]
        light = _light_at_change(path.state, by, tuning)
        if under <= 0 or not light:
            return []
        var = path.usual_var + tuning.element_spread**2 + self._spread**2
        inside = below((under - var / size) / math.sqrt(var))  # a normal one less an exponential fall
        level = ln(inside / size) + var / (2 * size**2) - under / size
        weight = rate + ln(light) + level
        return self._passing(path, LIGHT, weight, path.usual, what=NEW, opened=len(path.happened))

    def _rate_of(self, what: str, path: _Path) -> float:
        """ln of how likely an opening with this outcome is at this step."""
        tuning = self._tuning
        if self._entered in (NEW, CLEANED):
            return ln(tuning.entered_right if self._entered == what else tuning.entered_other)
        young = 1.0 if math.isinf(path.age_h) else path.age_h / (path.age_h + tuning.young_h)
        rate = self._new_rate
        if self._premises.limit is None:
            rate = self._rate * self._loaded(path.usual, path.usual_var)
        return ln(rate * young * (tuning.cleaned_share if what == CLEANED else 1.0))

    def _new_level(self, path: _Path) -> float:
        """ln density of the level, and of the pace, with a new element."""
        usual = path.usual, path.usual_var
        if usual not in self._as_new:
            tuning = self._tuning
            var = path.usual_var + tuning.element_spread**2 + self._spread**2
            level = mixed(self._piece.start - path.usual, math.sqrt(var), tuning)
            self._as_new[usual] = level + self._comes_back_as_new + self._loads_as_little
        return self._as_new[usual]

    def _cleaned(self, path: _Path, base: float) -> list[_Way]:
        """Part of the rise above clean stays, evenly between two shares."""
        low, high = self._tuning.kept_share
        clean = math.exp(path.clean)
        rise = math.exp(base) - clean
        if rise <= 0:
            return []
        level = self._level
        kept = (level - clean) / rise
        soft = (self._spread + math.sqrt(path.clean_var)) * level / rise + 1e-9
        inside = below((kept - low) / soft) * below((high - kept) / soft)
        weight = (
            self._comes_back_as_cleaned
            + self._loads_as_little
            + self._rate_of(CLEANED, path)
            + ln(inside * level / rise / (high - low))
        )
        return self._runs(path, CLEANED, weight)

    def _without_element(self, path: _Path, base: float) -> list[_Way]:
        off, found = self._reads_nothing, list[_Way]()
        if base < self._piece.start:
            return found
        if path.state != OFF and off > HOPELESS:
            off_alone, at_service = self._comes_off
            found += self._passing(path, OFF, off_alone + off, base, opened=path.opened)
            found += self._passing(path, OFF, at_service + off, path.usual, opened=len(path.happened))
        if path.state == LOW or self._is_hopeless(path.weight + self._goes_low + self._lasting[LOW]):
            return found  # what the level says of it makes it less likely still
        if (low := self._goes_low + self._low_level(path)[0]) > HOPELESS:
            found += self._passing(path, LOW, low, base)
        return found

    # ------------------------------------------------------------ in a state that passes

    def _from_passing(self, path: _Path) -> list[_Way]:
        ends = -ln(_lasts_h(path.state, self._premises.by, self._tuning))
        found = [
            *self._back(path, ends),
            *self._going_on(path),
            *self._runs(path, EXCHANGED, self._exchanges),
        ]
        if path.state in (LOW, OFF):
            mended = self._mended(path, ends)
            found += self._runs(path, NEW, mended + self._new_level(path), is_clean=True)
            found += self._new_in_light_work(path, mended)
        else:
            found += self._other_element(path, max(path.base, self._before.finish))
        return [*found, *self._without_element(path, path.base)]

    def _back(self, path: _Path, ends: float) -> list[_Way]:
        """The state is over. What was done to the element when it began shows now."""
        if path.opened == NOT_OPENED:
            dries = self._too_soon_dry(self._before.finish - path.base) if path.state == WET else 0.0
            as_it_was = self._despite_entry(path) + self._as_before(path)
            return self._runs(path, BACK, ends + as_it_was + dries)
        was = self._premises.entered.get(self._pieces[path.opened + 1].first)
        was = CLEANED if was == CLEANED else NEW
        # One that was cleaned shows no clean level.
        return self._runs(path, BACK, ends + self._shown_late(path), is_clean=was == NEW, was=was)

    def _shown_late(self, path: _Path) -> float:
        """ln density of the level of a new element that was at work for the hours of a passing state."""
        hidden_h = path.passed_h + self._piece.missed_h
        away, loaded = self._piece.start - path.usual, self._tuning.loading_per_h * hidden_h
        var = path.usual_var + self._tuning.element_spread**2 + self._spread**2
        wide = math.hypot(math.sqrt(var), self._tuning.loading_spread * hidden_h / 2)
        off = away - min(max(away, 0.0), loaded)
        return mixed(off, wide, self._tuning) - math.log1p(loaded / (wide * ROOT_2PI))

    def _mended(self, path: _Path, ends: float) -> float:
        """ln of how likely a fault ended with a new element."""
        tuning = self._tuning
        if self._entered == NEW:
            return ln(tuning.entered_right)
        new_of = tuning.mended_new * self._if_stopped if path.state == LOW else tuning.mended_off
        return ends + ln(new_of * path.passed_h / (path.passed_h + tuning.young_h))

    def _going_on(self, path: _Path) -> list[_Way]:
        """The state lasts."""
        weight = self._goes_on(path) + self._despite_entry(path)
        found = self._passing(path, path.state, weight, path.base, what=NOTHING_NEW, opened=path.opened)
        return [*found, *(self._dries(path, NOTHING_NEW, weight, path.base) if path.state == WET else [])]

    def _despite_entry(self, path: _Path) -> float:
        """ln of how likely people entered an opening that is none. Of moisture an entry says nothing."""
        return 0.0 if path.state == WET else self._entry_is_wrong

    def _goes_on(self, path: _Path) -> float:
        """ln density of the level while a state lasts; without an element it stays below a clean one."""
        if path.state == OFF:
            return self._reads_nothing
        stays = min(student(self._piece.start - self._before.finish, self._spread), self._at_once)
        if path.state == WET and path.base < self._piece.start < self._before.finish:
            wet = self._before.finish - path.base
            return max(stays, -ln(self._tuning.dries_h) - ln(wet) + self._too_soon_dry(wet))
        if path.state != LOW:
            return stays
        return max(stays, self._moves_low(path))

    def _moves_low(self, path: _Path) -> float:
        """ln density of a step without a sound element: what is left gets wet and dry as any other."""
        tuning, by = self._tuning, self._premises.by
        if self._piece.start <= path.highest:  # and the work is light or hard
            size = tuning.low_step[by]
            wanders = -ln(tuning.dries_h * size) - abs(self._fall) / size
            return max(wanders, self._lightens if self._fall > 0 else self._works_as_hard(path))
        size, beyond = tuning.low_step[FLOW], max(-self._fall - tuning.wet_most[0], 0.0) / tuning.wet_most[1]
        wet = ln(tuning.wet_per_h / size) - abs(self._fall) / size - beyond**2 + self._too_soon_wet
        size, light_h = tuning.light_step[by], tuning.light_h[by]  # or the work was light until now
        harder = ln(tuning.light_share[by] / (light_h * size)) - abs(self._fall) / size
        return max(wet, harder - path.passed_h / light_h)

    def _works_as_hard(self, path: _Path) -> float:
        """ln density of a rise where light work ends: to the highest level that the state has shown."""
        away = student(self._piece.start - path.highest, self._spread * math.sqrt(2.0))
        return away - ln(self._tuning.light_h[self._premises.by])

    def _dries(self, path: _Path, what: str, weight: float, base: float) -> list[_Way]:
        """Wet at the step, and dry again by the end of the piece."""
        piece, tuning = self._piece, self._tuning
        if piece.finish > (piece.start + base) / 2:
            return []
        loaded, away = tuning.loading_per_h * piece.hours, piece.finish - base
        dry = student(max(away - loaded, 0.0) if away > 0 else away, 2 * self._spread)
        return self._runs(path, what, weight - ln(tuning.wet_h) + dry)

    def _as_before(self, path: _Path) -> float:
        """ln density of the level once a passing state is over: as before, or higher by what it loaded."""
        if path.state == LIGHT and RUNS not in path.states:  # since the machine was first seen
            return self._as_any(path)
        away = self._piece.start - path.base
        passed_h = path.passed_h + self._piece.missed_h
        if away > 0:
            loaded = self._tuning.loading_per_h * passed_h
            wide = self._spread + self._tuning.loading_spread * passed_h / 2
            return student(max(away - loaded, 0.0), wide)
        return student(away, self._spread * math.sqrt(2.0))

    def _as_any(self, path: _Path) -> float:
        """ln density of the level of an element of any age: evenly from clean to the limit."""
        wide = math.sqrt(path.usual_var + self._tuning.element_spread**2 + self._spread**2)
        return ln(below((self._piece.start - path.usual) / wide)) - math.log(
            -math.log(self._tuning.clean_share)
        )

    # ------------------------------------------------------------ a way with its weight

    def _low_level(self, path: _Path) -> tuple[float, float]:
        """
        ln density of the level where it goes low, and ln of how sure it stays below that of a clean element:
        what is left of one loads too, and once it reads what an element reads, it is one.
        """
        sound = _sound(path)
        if sound not in self._as_low:
            stays = is_below(self._piece.finish, *sound, self._spread, self._tuning)
            self._as_low[sound] = as_low(self._piece.start, *sound, self._spread, self._tuning), ln(stays)
        return self._as_low[sound]

    def _runs(
        self, path: _Path, what: str, weight: float, *, is_clean: bool = False, was: str = ""
    ) -> list[_Way]:
        """The machine runs on its element from here."""
        whole = path.weight + weight
        if self._is_hopeless(whole):
            return []
        return [self._answered(path, whole, what, RUNS, math.nan, is_clean, was, NOT_OPENED)]

    def _passing(
        self, path: _Path, state: str, weight: float, base: float, *, what: str = "", opened: int = NOT_OPENED
    ) -> list[_Way]:
        """The machine is in a state that passes; its element stays at `base`."""
        if state == LOW:
            weight += self._low_level(path)[1] + self._if_seen
        whole = path.weight + weight + self._lasting[state]
        if self._is_hopeless(whole):
            return []
        return [self._answered(path, whole, what or state, state, base, False, "", opened)]

    def _is_hopeless(self, weight: float) -> bool:
        """It is sure to be dropped, whatever the flow response says."""
        return weight + self._response.most < self._least

    def _answered(
        self,
        path: _Path,
        weight: float,
        what: str,
        state: str,
        base: float,
        is_clean: bool,
        was: str,
        opened: int,
    ) -> _Way:
        """With how likely the flow response after the step is, where it shows."""
        if self._response.shows and what != OFF:
            weight += self._response.density(_answers_as(path, what), path.answer, path.answer_var)
        self._least = max(self._least, weight - self._tuning.worst_path)
        return _Way(weight, path, what, state, base, is_clean, was, opened)


def _answers_as(path: _Path, what: str) -> str:
    """By which element the flow response after a step goes, as `StepResponse` has it."""
    if what == NEW or (what == BACK and path.opened != NOT_OPENED):
        return NEW
    if what in (CLEANED, LOW):
        return what
    return BACK if what == BACK and path.state in (LOW, OFF) else NOTHING_NEW


def _is_beyond(share: float, bar: float, width: float) -> float:
    """0 well below a bar, 1 well above it."""
    return 1.0 / (1.0 + math.exp((bar - share) / width))


def _corrected(path: _Path, was: str) -> tuple[str, ...]:
    """What happened, with what was done where the tube was left off; "" : no more than was known."""
    happened, at = path.happened, path.opened
    return (*happened[:at], was, *happened[at + 1 :]) if was else happened


def _clean_levels_of(path: _Path) -> _CleanLevels:
    return path.clean, path.clean_var, path.usual, path.usual_var, path.answer, path.answer_var


def _sound(path: _Path) -> tuple[float, float]:
    """The level of a clean element and its variance: that of the running one, or what is usual if lower."""
    return min((path.clean, path.clean_var), (path.usual, path.usual_var))


def _learned(usual: float, var: float, level: float, spread: float, tuning: Tuning) -> tuple[float, float]:
    """What clean elements of the machine read, and its variance, after one more was seen."""
    own = tuning.element_spread**2 + spread**2
    least = (tuning.element_spread / BEST_KNOWN) ** 2
    return usual + var / (var + own) * (level - usual), max(var * own / (var + own), least)


def _light_at_change(state: str, by: int, tuning: Tuning) -> float:
    """
    How likely the work is light once an element was changed.

    Where the level showed until the change, light work has to begin with the hours by which the new one is
    judged. In light work, or with no sound element, it may have lasted already.
    """
    often = tuning.light_share[by]
    return min(often, tuning.light_per_h[by] * tuning.level_h) if state in (RUNS, WET) else often


def _if_stopped(piece: LevelPiece, stops: float, tuning: Tuning) -> float:
    """How often something is changed at a row, by whether the engine stood before it. The mean is 1."""
    at_stop = 1.0 / (stops + (1.0 - stops) * tuning.without_stop)
    return at_stop if piece.stopped else tuning.without_stop * at_stop


def _lasts_h(state: str, by: int, tuning: Tuning) -> float:
    return tuning.wet_h if state == WET else tuning.light_h[by] if state == LIGHT else tuning.low_h


def _lasting(state: str, piece: LevelPiece, by: int, tuning: Tuning) -> float:
    """ln of the likelihood that a passing state lasted through a piece, which rose as it did."""
    rise = max(piece.finish - piece.start, 0.0) / (
        tuning.low_rise if state in (LOW, OFF) else tuning.passing_rise
    )
    return -piece.hours / _lasts_h(state, by, tuning) - 0.5 * rise**2
