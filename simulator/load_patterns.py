"""
Named patterns of load: when each machine samples, when it has a link, and what goes wrong meanwhile.

Promises: pure. The plan of a run says everything that its check needs later: a machine's times and numbers
follow from it.
Leaves to others: values (`load_samples.py`), carrying it out (`load_run.py`).
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

import numpy as np

from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.load_samples import IntArray

Trouble = Literal["none", "link_out", "held_up", "no_room", "poor_links"]

MS: Final = 1_000_000  # nanoseconds
HERD_SHARE: Final = (
    0.9  # of the machines come back with a backlog; the others have a link all the time (chosen)
)
REGION_SHARE: Final = 0.6  # of the machines lose their link in an outage (chosen)


@dataclass(frozen=True, kw_only=True, slots=True)
class Pattern:
    """One way in which load comes."""

    name: str
    #: one sentence for `--help` and the report
    about: str
    trouble: Trouble
    #: part of the run in which the trouble lasts, from .. until
    span: tuple[float, float] = (0.0, 0.0)
    #: machines concerned
    share: float = 0.0


PATTERNS: Final[Mapping[str, Pattern]] = {
    pattern.name: pattern
    for pattern in (
        Pattern(name="steady", about="every machine has a link all the time", trouble="none"),
        Pattern(
            name="outage",
            about="a region loses its link for a third of the run, and comes back at once",
            trouble="link_out",
            span=(0.25, 0.6),
            share=REGION_SHARE,
        ),
        Pattern(
            name="herd",
            about="most machines come back at once with hours of backlog; the others are live",
            trouble="link_out",
            span=(0.0, 0.1),
            share=HERD_SHARE,
        ),
        Pattern(
            name="slow-server",
            about="the server stands still again and again for the middle third of the run",
            trouble="held_up",
            span=(0.33, 0.66),
        ),
        Pattern(
            name="failing-database",
            about="the server's database cannot be written for a quarter of the run",
            trouble="no_room",
            span=(0.3, 0.55),
        ),
        Pattern(
            name="poor-links",
            about="requests and replies are cut, lost, delayed, repeated and garbled all the time",
            trouble="poor_links",
            span=(0.0, 1.0),
            share=1.0,
        ),
    )
}
#: need the server's process, so the simulator's own server
OWN_SERVER_ONLY: Final = frozenset({"held_up", "no_room", "poor_links"})


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadPlan:
    """Everything that a run is; its check needs nothing else."""

    pattern: str
    #: part of the names of its devices, so that runs against one server stay apart
    run: str
    seed: int
    machines: int
    #: between two samples of a machine [s]
    interval_s: float
    duration_s: float
    #: of each machine that comes back with a backlog [readings]
    backlog: int
    #: the first moment of the run, microseconds since 1970, a whole millisecond
    start_us: int

    def device(self, machine: int) -> str:
        """The name of a machine's monitor."""
        return f"load-{self.run}-{machine:04d}"

    def stream(self, machine: int) -> str:
        """Its stream: a UUID of version 7 (RFC 9562 section 5.7) made from the plan."""
        ms = self.start_us // 1000
        chance = random.Random(f"{self.seed} {self.run} {machine}").getrandbits(74)
        number = ms << 80 | 0x7 << 76 | (chance >> 62) << 64 | 0b10 << 62 | chance & (2**62 - 1)
        text = f"{number:032x}"
        return f"{text[:8]}-{text[8:12]}-{text[12:16]}-{text[16:20]}-{text[20:]}"

    def is_concerned(self, machine: int) -> bool:
        """True where the pattern's trouble is this machine's too."""
        return machine < round(PATTERNS[self.pattern].share * self.machines)

    def backlog_of(self, machine: int) -> int:
        """Readings that a machine has before the run begins."""
        return self.backlog if self.pattern == "herd" and self.is_concerned(machine) else 0

    def samples_of(self, machine: int) -> int:
        """How many readings a machine samples in all, its backlog with them."""
        phase_s = self.phase_ms(machine) / 1000
        live = max(0, int(np.ceil((self.duration_s - phase_s) / self.interval_s)))
        return self.backlog_of(machine) + live

    def phase_ms(self, machine: int) -> int:
        """When a machine samples first, after the start: they are spread over one interval. [ms]"""
        return int(self.interval_s * 1000 * ((machine * 0.6180339887498949) % 1.0))

    def due_ms(self, machine: int, numbers: IntArray) -> IntArray:
        """When readings are sampled, from the start of the run, shape (n,). [ms] Below 0: the backlog."""
        since = numbers - 1 - self.backlog_of(machine)
        times: IntArray = self.phase_ms(machine) + np.rint(since * (self.interval_s * 1000)).astype(np.int64)
        return times

    def at_us(self, machine: int, numbers: IntArray) -> IntArray:
        """Instants of readings, shape (n,). [us since 1970]"""
        return self.start_us + 1000 * self.due_ms(machine, numbers)

    def link_out_s(self, machine: int) -> tuple[float, float]:
        """From when until when a machine has no link, after the start [s]; equal: never."""
        pattern = PATTERNS[self.pattern]
        if pattern.trouble != "link_out" or not self.is_concerned(machine):
            return 0.0, 0.0
        return pattern.span[0] * self.duration_s, pattern.span[1] * self.duration_s

    def trouble_s(self) -> tuple[float, float]:
        """From when until when the pattern's trouble lasts, after the start. [s]"""
        first, last = PATTERNS[self.pattern].span
        return first * self.duration_s, last * self.duration_s

    def as_json(self) -> dict[str, Any]:
        """For the report, from which `plan_of` makes it again."""
        return asdict(self)


def plan_of(document: Any) -> LoadPlan:
    """The plan in a report. Raises CalledWrongly where there is none."""
    try:
        plan = LoadPlan(**document["plan"])
    except (KeyError, TypeError) as error:
        raise CalledWrongly(
            f"the report has no plan of a run ({error}); give one that `load` wrote"
        ) from error
    if plan.pattern not in PATTERNS:
        raise CalledWrongly(f'the report names pattern "{plan.pattern}"; there are {", ".join(PATTERNS)}')
    return plan
