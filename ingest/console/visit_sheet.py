"""
What a technician needs of the checks: what is proven, what is open and by when, and whether to stay.

Promises: pure. Decides by codes and verdicts, never by sentences.
Leaves to others: the checks (`ingest.analysis.acceptance_sheet`), the words (`words/visit.*.toml`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from markupsafe import Markup

from cleanside.gateway.spot_checks import Check
from cleanside.ingest.console.formats import Figure
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.restriction.verdict.statement import Statement
from cleanside.ingest.store.fleet import TerminalRow

PASSED, FAILED, OPEN, NOT_MEASURED = "passed", "failed", "not yet seen", "not measured"
#: checks that show by themselves later, wherever the technician is: they want a link or a fix, not a person
BY_THEMSELVES = frozenset({"link", "clock"})
#: anchors that have words
ANCHORS = frozenset({"gps", "ntp", "server", "person"})
#: failed first, then what is open, then what is proven
_ORDER = (FAILED, OPEN, PASSED, NOT_MEASURED)


class Step(NamedTuple):
    """One step of a job: its words are below `visit.step.<name>`."""

    name: str
    #: letters of its acts
    acts: str
    #: cautions that stand before it (codes of `ingest.cautions`)
    cautions: tuple[str, ...] = ()


#: before an engine is started and brought to high idle
RUNNING = ("element_out", "before_start", "high_idle")
#: before a housing is opened
OPEN_HOUSING = (
    *("secure_machine", "element_out", "respirable_dust", "wipe_housing"),
    *("no_compressed_air", "cleaning"),
)

#: job -> its steps
STEPS: dict[str, tuple[Step, ...]] = {
    "installation": (
        Step("bring", "abcd", ("maker_first",)),
        Step("feed", "abc", ("secure_machine", "electrical", "battery")),
        Step("earth", "ab", ("secure_machine", "electrical", "battery")),
        Step("tap", "abc", ("secure_machine", "own_indicator", "element_out")),
        Step("tube", "abcd", ("secure_machine",)),
        Step("place", "ab", ("secure_machine", "climbing")),
        Step("run", "abcd", RUNNING),
    ),
    "service": (
        Step("before", "ab", ("maker_first",)),
        Step("element", "abcd", OPEN_HOUSING),
        Step("after", "abc", ("safety_element", "plug_tap", "reset_indicator", *RUNNING)),
        Step("run", "abcd", RUNNING),
    ),
}


#: next step -> cautions that stand before it
CAUTIONS_OF: Mapping[str, tuple[str, ...]] = {
    "do_run": RUNNING,
    "do_high_idle": RUNNING,
    "do_check_feed": ("secure_machine", "electrical", "battery"),
    "do_look_at_tube": ("element_out",),
}


#: what a change of the element can change: a tube that came off, an element that is not in, a lost link
OF_SERVICE = frozenset({"link", "restriction answers the engine", "clean level"})


def asked_of(job: str, checks: Sequence[Check]) -> list[Check]:
    """The checks that a job asks for: a service those of OF_SERVICE, and whatever fails now."""
    if job != "service":
        return list(checks)
    return [check for check in checks if check.check in OF_SERVICE or check.verdict == FAILED]


class Stay(NamedTuple):
    """Leave or stay: a key below `visit.stay`, and how many checks it is about."""

    word: str
    many: int
    passed: int
    failed: int
    open: int


def stay_of(checks: Sequence[Check], *, is_held: bool = False, has_monitor: bool = True) -> Stay:
    """
    Whether a technician may leave.

    has_monitor : one sits there; without it nothing can be seen, and nothing is to be waited for.
    is_held : the machine is over its limit, due or suspect; whatever the checks say, it is not left so.
    """
    verdicts = [check.verdict for check in checks]
    tally = (verdicts.count(PASSED), verdicts.count(FAILED), verdicts.count(OPEN))
    here = any(check.verdict == OPEN and check.check not in BY_THEMSELVES for check in checks)
    if not has_monitor:
        return Stay("no_monitor", 0, *tally)
    if tally[1]:
        return Stay("failed_and_open" if tally[2] else "failed", tally[1], *tally)
    if here:
        return Stay("open_here", tally[2], *tally)
    if is_held:
        return Stay("held", tally[0], *tally)
    return Stay("open_later" if tally[2] else "passed", tally[2] or tally[0], *tally)


def in_order(checks: Sequence[Check]) -> list[Check]:
    """Failed first, then open, then passed; within each as a technician meets them."""
    return sorted(checks, key=lambda check: _ORDER.index(check.verdict))


# ---------------------------------------------------------------- words


class SheetWords:
    """Says statements of the checks in a viewer's language, restriction in the unit of the gauge."""

    def __init__(self, say: Sayer, limit: TerminalRow | None) -> None:
        self._say = say.in_unit(None if limit is None else limit.unit)
        self._formats = say.formats
        self._limit = limit

    def seen(self, statement: Statement) -> Markup:
        """What a verdict rests on."""
        values, code = dict(statement.values), statement.code
        if isinstance(values.get("seen"), Statement):
            values["seen"] = self.seen(values["seen"])
        if code == "time_known":
            values["within"] = self._within(values["uncertainty_s"])
            if values["anchor"]:
                code, values["anchor"] = "time_known_by", self._anchor(values["anchor"])
        if "hand_value" in values:
            decimals = decimals_of(values["hand_value"])
            values["shown"] = self._formats.of_unit(values["hand_value"], values["hand_unit"], decimals)
        values["n"] = values.get("times", values.get("readings", 0))
        return self._say(f"visit.seen.{code}", **(values | {"as_read": self.limit_as_read()}))

    def _within(self, seconds: float) -> Figure | str:
        """How well a time is known: below ten seconds with decimals, else as an age."""
        if seconds >= 10:
            return self._formats.age(seconds)
        return self._formats.of_unit(seconds, "s", 2 if seconds < 1 else 1)

    def _anchor(self, anchor: str) -> str:
        """What ties a boot to UTC; one without words as the gateway names it."""
        return self._say.plain(f"visit.anchor.{anchor}") if anchor in ANCHORS else anchor

    def next_step(self, statement: Statement) -> Markup:
        """What to do."""
        code = statement.code
        if code == "do_run":
            code = f"do_run_{str(statement.values['wanted']).replace(' ', '_')}"
        return self._say(f"visit.do.{code}", **statement.values)

    def cautions(self, statement: Statement) -> list[Markup]:
        """What to mind before a next step."""
        return [self._say(f"caution.{code}") for code in CAUTIONS_OF.get(statement.code, ())]

    def limit_as_read(self) -> Markup | str:
        """The limit in the unit of the gauge, and in kPa where that is another."""
        if self._limit is None:
            return ""
        read = self._formats.of_unit(self._limit.value, self._limit.unit, decimals_of(self._limit.value))
        if self._limit.unit == "kPa":
            return Markup(read.__html__())
        return Markup("{} ({})").format(read, self._formats.restriction(self._limit.restriction_pa))


def decimals_of(value: float) -> int:
    """As many decimals as were printed or typed."""
    return len(f"{value:.6f}".rstrip("0").partition(".")[2])


# ---------------------------------------------------------------- signal

SIGNAL_WIDTH, SIGNAL_HEIGHT = 330, 74
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 324.0, 10.0, 54.0
_LEAST_DB = 10.0  # of the scale, so that noise does not fill it


class SignalDrawing(NamedTuple):
    """The signal of the last minutes, drawn. Places in px."""

    path: str
    last: tuple[float, float]
    low_dbm: float
    high_dbm: float
    now_dbm: float
    #: how much better (above 0) the last half minute is than the first of what is shown [dB]
    better_db: float
    minutes: int


def signal_of(points: Sequence[tuple[float, float]]) -> SignalDrawing | None:
    """points : (seconds, dBm), oldest first. None: too few to draw."""
    if len(points) < 2 or points[-1][0] <= points[0][0]:
        return None
    low, high = min(dbm for _, dbm in points), max(dbm for _, dbm in points)
    span_db, start_s, end_s = max(high - low, _LEAST_DB), points[0][0], points[-1][0]
    places = [
        (
            _LEFT + (_RIGHT - _LEFT) * (at_s - start_s) / (end_s - start_s),
            _BOTTOM - (_BOTTOM - _TOP) * (dbm - low) / span_db,
        )
        for at_s, dbm in points
    ]
    now = _mean([dbm for at_s, dbm in points if at_s > end_s - 30])
    return SignalDrawing(
        path="M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places),
        last=places[-1],
        low_dbm=low,
        high_dbm=high,
        now_dbm=now,
        better_db=round(now - _mean([dbm for at_s, dbm in points if at_s < start_s + 30])),
        minutes=max(1, round((end_s - start_s) / 60)),
    )


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
