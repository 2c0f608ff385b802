"""
What needs a person now, in groups: no key, silent, on no machine, behind, in conflict, in quarantine ...

Promises: pure. A group lists what a person may want to know and counts what needs a person: a machine that
was keyed off for the weekend is listed, and needs no one. Codes are stable; what to do about each is in
`ingest.intake.codes`.
Leaves to others: the rows (`ingest.store.attention`), how it looks (the route and the command `attention`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from cleanside.gateway.wire import MAX_READINGS, instant_text
from cleanside.ingest.analysis.server_clock import AheadOfServer, ahead_alike, went_back_us
from cleanside.ingest.restriction import SILENT_S, backlog_arrives
from cleanside.ingest.store.attention import CopiedGroup, HeardDevice, QuarantinedGroup
from cleanside.ingest.store.clock_steps import SteppedClock
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.keyless import Keyless

WITHOUT_KEY, SILENT, UNSEATED, BEHIND, CONFLICT, QUARANTINE, STEPPED, DECLARED_EVENTS, VERSIONS = GROUPS = (
    *("without_key", "silent", "unseated", "behind", "in_conflict", "in_quarantine", "clock_stepped"),
    *("declared", "versions"),
)

HOUR_US = 3_600_000_000  # arithmetic
DAY_US = 24 * HOUR_US  # arithmetic
LISTED_AFTER_US = DAY_US  # listed as silent after so long without a new reading (chosen)
#: reason for silence -> after how long that needs a person; as for the state of a housing
SILENT_AFTER_US: Mapping[str, int] = {code: int(1e6 * after_s) for code, after_s in SILENT_S.items()} | {
    "never_heard": 2 * DAY_US
}
#: last event of a device -> the reason for silence that it gives
SILENT_BY_EVENT: Mapping[str, str] = {"key_off": "keyed_off", "device_fault": "device_fault"}
BEHIND_AFTER_US = HOUR_US  # readings that are missing for so long are not on their way (chosen)
#: of a program without a gateway, which posts a batch at a time: more numbers than that are not on their way
FAR_AHEAD = MAX_READINGS
DECLARED_FOR_US = 7 * DAY_US  # a loss is shown for a week; the account shows it permanently (chosen)
STEPPED_FOR_US = DECLARED_FOR_US  # a step of a clock is asked about as long as a loss is
#: code of readings in conflict that came twice from a copied file
COPIED_READING = "copied_reading"
IN_FUTURE = "time_in_future"
#: its next step, where the server's own clock is likely the wrong one
SERVER_CLOCK = "server_clock_behind"
#: the next step where a device that a program posts for says nothing: no gateway is there to be looked at
PROGRAM_SILENT = "program_silent"
#: declared, and no action is needed
NEEDS_NO_PERSON = frozenset({"spool_aside_deleted", "spool_salvaged", "stream_opened"})


#: owner and device -> the machine it sits on
MachineOf = Mapping[tuple[str, str], str | None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Concern:
    """One line of a group."""

    owner: str
    #: None: of several, as for a version
    device: str | None
    machine: str | None
    code: str
    #: readings, numbers, times or devices, as the group has it
    count: int
    #: when it began, or when it was last; None: not known
    since_us: int | None
    needs_person: bool
    #: of a version: its number; of a declared loss: how many readings
    value: str | int | None = None
    #: the code whose next step holds in place of that of its own; None: its own
    step: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ConcernGroup:
    """Lines of one kind, those that need a person first, each oldest first."""

    group: str
    lines: tuple[Concern, ...]

    @property
    def needing(self) -> int:
        """How many of its lines need a person."""
        return sum(line.needs_person for line in self.lines)

    @property
    def counted(self) -> int:
        """What its lines count, together: readings, numbers, times or devices, as the group has it."""
        return sum(line.count for line in self.lines if line.code != COPIED_READING)  # in conflict too


def groups_of(
    heard: Sequence[HeardDevice],
    quarantined: Sequence[QuarantinedGroup],
    declared: Sequence[DeclaredLine],
    copied: Sequence[CopiedGroup] = (),
    keyless: Sequence[Keyless] = (),
    stepped: Sequence[SteppedClock] = (),
    *,
    version: str,
    now_us: int,
) -> list[ConcernGroup]:
    """Every group, empty ones too. version : of this server."""
    machines = {(device.owner, device.device): device.machine for device in heard}
    refused = {(one.owner, one.device) for one in keyless}  # nothing of theirs is taken: that says it all
    may_send = [device for device in heard if (device.owner, device.device) not in refused]
    lines = {
        WITHOUT_KEY: [_without_key(one, machines) for one in keyless],
        SILENT: [line for device in may_send if (line := _silent(device, now_us)) is not None],
        UNSEATED: [line for device in may_send if (line := _unseated(device, now_us)) is not None],
        BEHIND: [line for device in heard for line in _behind(device, now_us)],
        CONFLICT: [
            *(_held(group) for group in quarantined if group.beside),
            *(_copied(group, machines) for group in copied),
        ],
        QUARANTINE: _quarantined([group for group in quarantined if not group.beside], heard, now_us),
        STEPPED: [_stepped(clock, machines) for clock in stepped],
        DECLARED_EVENTS: _declared(declared, machines, now_us),
        VERSIONS: _versions(heard, version),
    }
    return [ConcernGroup(group=name, lines=tuple(sorted(lines[name], key=_rank))) for name in GROUPS]


def _rank(line: Concern) -> tuple[bool, int, str]:
    return not line.needs_person, line.since_us or 0, line.device or ""


def _without_key(one: Keyless, machines: MachineOf) -> Concern:
    return Concern(
        owner=one.owner,
        device=one.device,
        machine=machines.get((one.owner, one.device)),
        code=one.code,
        count=1,
        since_us=one.since_us,
        needs_person=True,
    )


def _silent(device: HeardDevice, now_us: int) -> Concern | None:
    since_us = device.quiet_since_us
    if device.is_retired or now_us - since_us < LISTED_AFTER_US:  # out of use, nothing is expected of it
        return None
    code, arrives = quiet_because(device), _backlog_arrives(device, now_us)
    if arrives and code in ("unknown", "out_of_coverage"):  # it sends, so that none has to look there
        code = "backlog_arrives" if code == "unknown" else code
        return _line(device, code, 1, since_us, needs=False)
    line = _line(device, code, 1, since_us, needs=now_us - since_us >= SILENT_AFTER_US[code])
    return replace(line, step=PROGRAM_SILENT) if code == "unknown" and not device.has_gateway else line


def _backlog_arrives(device: HeardDevice, now_us: int) -> bool:
    """As for the state of its housing."""
    measured_s, received_s = (
        None if at is None else at / 1e6 for at in (device.measured_us, device.heard_us)
    )
    return backlog_arrives(measured_s=measured_s, received_s=received_s, now_s=now_us / 1e6)


def _unseated(device: HeardDevice, now_us: int) -> Concern | None:
    """It sends, and its readings count for no machine, a day and longer."""
    heard_us = device.heard_us
    if device.is_seated or heard_us is None or now_us - heard_us >= LISTED_AFTER_US:
        return None
    return _line(device, "sits_nowhere", 1, None, needs=now_us - device.registered_us >= LISTED_AFTER_US)


def quiet_because(device: HeardDevice) -> str:
    """Why a device sends nothing, as its gateway reported."""
    if device.heard_us is None:
        return "never_heard"
    if device.pending:
        return "out_of_coverage"
    return SILENT_BY_EVENT.get(device.last_event or "", "unknown")


def _behind(device: HeardDevice, now_us: int) -> list[Concern]:
    """What is missing of a device; a program without a gateway may have mistyped a number far ahead."""
    is_quiet = device.heard_us is not None and now_us - device.heard_us >= BEHIND_AFTER_US
    is_far = device.gap > FAR_AHEAD and not device.has_gateway
    found = [("gap", device.gap, is_quiet or is_far), ("pending", device.pending, is_quiet)]
    return [_line(device, code, count, device.heard_us, needs=needs) for code, count, needs in found if count]


def _line(device: HeardDevice, code: str, count: int, since_us: int | None, *, needs: bool) -> Concern:
    return Concern(
        owner=device.owner,
        device=device.device,
        machine=device.machine,
        code=code,
        count=count,
        since_us=since_us,
        needs_person=needs,
    )


def _held(group: QuarantinedGroup) -> Concern:
    return Concern(
        owner=group.owner,
        device=group.device,
        machine=group.machine,
        code=group.code,
        count=group.readings,
        since_us=group.oldest_us,
        needs_person=True,  # a future time too: its clock runs ahead, and the time that comes is not its own
    )


def _quarantined(
    groups: Sequence[QuarantinedGroup], heard: Sequence[HeardDevice], now_us: int
) -> list[Concern]:
    """Lines of the quarantine; of times in the future, whose clock is likely wrong."""
    ahead = {
        f"{group.owner} {group.device}": AheadOfServer(group.lead_us, group.oldest_us)
        for group in groups
        if group.code == IN_FUTURE and group.lead_us is not None
    }
    heard_us = [device.heard_us for device in heard if device.heard_us is not None]
    alike = ahead_alike(ahead, heard_us)
    if went_back_us(max(heard_us, default=None), now_us):
        alike = frozenset(ahead)
    return [
        replace(_held(group), step=SERVER_CLOCK)
        if group.code == IN_FUTURE and f"{group.owner} {group.device}" in alike
        else _held(group)
        for group in groups
    ]


def _copied(group: CopiedGroup, machines: MachineOf) -> Concern:
    """A question: these readings of the stream, up to that number, came twice; discard the second ones?"""
    return Concern(
        owner=group.owner,
        device=group.device,
        machine=machines.get((group.owner, group.device)),
        code=COPIED_READING,
        count=group.readings,
        since_us=group.oldest_us,
        needs_person=True,
        value=f"{group.stream} up to {group.through}",
    )


def _stepped(clock: SteppedClock, machines: MachineOf) -> Concern:
    """A question: which of the two times is right? What is stored stays as it is until a person says."""
    before, after = instant_text(clock.step.before_us), instant_text(clock.step.after_us)
    return Concern(
        owner=clock.owner,
        device=clock.device,
        machine=machines.get((clock.owner, clock.device)),
        code=STEPPED,
        count=clock.steps,
        since_us=clock.last_us,
        needs_person=True,
        value=f"{clock.stream} at {clock.step.seq}: from {before} back to {after}",
    )


def _declared(found: Sequence[DeclaredLine], machines: MachineOf, now_us: int) -> list[Concern]:
    return [
        Concern(
            owner=line.owner,
            device=line.device,
            machine=machines.get((line.owner, line.device)),
            code=line.event,
            count=line.times,
            since_us=line.last_us,
            needs_person=line.event not in NEEDS_NO_PERSON,
            value=line.lost or None,
        )
        for line in found
        if now_us - line.last_us < DECLARED_FOR_US
    ]


def _versions(heard: Sequence[HeardDevice], version: str) -> list[Concern]:
    """Versions of gateways that are not this server's, with how many devices have each."""
    counts = Counter((d.owner, d.version) for d in heard if d.version is not None and d.version != version)
    return [
        Concern(
            owner=owner,
            device=None,
            machine=None,
            code="version_differs",
            count=count,
            since_us=None,
            needs_person=False,
            value=found,
        )
        for (owner, found), count in sorted(counts.items())
    ]
