"""
The audit of a campaign: what was written to the gateways, held row for row against what the shop shows.

Promises: pure, and on its own feet: it knows neither the server's tables nor the spool's code. A finding says
what kind of promise does not hold, where, and by which numbers. What it cannot tell it does not excuse.
Leaves to others: getting the evidence (`campaign_evidence.py`).

What has to hold, for each reading that a gateway said is on disk:
- lost: the shop has it, or its gateway gave it up and declared so: never more are missing than were declared;
- twice: the shop has it once;
- changed: with its values, and with its own time where it brought one;
- time: else the time it was placed at, with the width that is stated, meets the moment it was written;
- order: within a stream the numbers rise as the readings were written. A copied spool may begin once more
  for each numbering that it took over: there a stream is made of as many rising runs;
- strange: the shop has no reading that was never written;
- undeclared, unseen: readings that a gateway lost before they had a number are declared, as many as it said,
  and stand where the shop looks for what needs a person.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from typing import Any, Final

from cleanside.gateway.units import counted
from cleanside.simulator.ledger import ReadingKey, WrittenReading

RELATIVE: Final = 1e-12  # of a value that was converted and back
CLOCK_SLACK_US: Final = 2_000  # the ledger's own looks at the clock (chosen)
MOST_OF_A_KIND: Final = 20  # findings listed; the rest is counted
RUNS_OF_A_COPY: Final = 4  # rising runs that a stream of a copied spool may have (chosen)
LOST_READINGS: Final = "readings_lost"


@dataclass(frozen=True, slots=True)
class Shown:
    """A reading as the shop shows it, in SI."""

    device: str
    stream: str
    seq: int
    at: str
    at_uncertainty_s: float | None
    number: int
    restriction_pa: float | None
    supply_voltage_v: float | None


@dataclass(frozen=True, slots=True)
class InFile:
    """A reading as a spool's file has it, in the order of its positions."""

    writer: str
    number: int
    restriction_pa: float
    supply_voltage_v: float


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """All that an audit looks at."""

    ledger: Mapping[ReadingKey, WrittenReading]
    shown: Sequence[Shown]
    #: device, number and code of what is in quarantine
    quarantined: Sequence[tuple[str, int, str]]
    #: the answer of /v1/account, and of /v1/attention
    account: Mapping[str, Any]
    attention: Mapping[str, Any]
    in_files: Sequence[InFile] = ()
    #: gateway -> what `verify` finds in its spool
    file_faults: Mapping[str, Sequence[str]] = field(default_factory=dict)
    #: gateway -> readings that wait in it; a campaign's end has none
    waiting: Mapping[str, int] = field(default_factory=dict)
    #: gateway -> how a process of it ended that should not
    crashes: Mapping[str, Sequence[str]] = field(default_factory=dict)
    #: devices whose spool was copied: they have two gateways
    copied: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Flaw:
    """Something that does not hold."""

    kind: str
    device: str
    detail: str


def audit(evidence: Evidence) -> list[Flaw]:
    """Everything that does not hold, worst first."""
    by_key: dict[ReadingKey, list[Shown]] = defaultdict(list)
    for row in evidence.shown:
        by_key[row.device, row.number].append(row)
    flaws = [
        *_lost(evidence, by_key),
        *_twice(by_key),
        *_changed(evidence, by_key),
        *_times(evidence),
        *_order(evidence),
        *_quarantined(evidence, by_key),
        *_declared(evidence),
        *_account(evidence),
        *_files(evidence),
    ]
    return flaws + [
        Flaw("crash", gateway, text) for gateway, texts in evidence.crashes.items() for text in texts
    ]


def _lost(evidence: Evidence, by_key: Mapping[ReadingKey, object]) -> Iterator[Flaw]:
    given_up = Counter[str]()
    for line in evidence.account["streams"]:
        given_up[line["device"]] += line["shed"]
    missing: dict[str, list[int]] = defaultdict(list)
    for (device, number), entry in evidence.ledger.items():
        if entry.is_kept and (device, number) not in by_key:
            missing[device].append(number)
    for device, numbers in missing.items():
        # Numbers that a copied spool moved count as given up too, under the number they had before.
        may_miss = 0 if device in evidence.copied else given_up[device]
        if len(numbers) > may_miss:
            yield Flaw(
                "lost", device, f"{len(numbers)} missing, {may_miss} declared: {_some(sorted(numbers))}"
            )


def _twice(by_key: Mapping[ReadingKey, Sequence[Shown]]) -> Iterator[Flaw]:
    for (device, number), rows in by_key.items():
        if len(rows) > 1:
            places = ", ".join(f"{row.stream} {row.seq}" for row in rows)
            yield Flaw("twice", device, f"{number} is there {counted(len(rows), 'time')}: {places}")


def _changed(evidence: Evidence, by_key: Mapping[ReadingKey, Sequence[Shown]]) -> Iterator[Flaw]:
    for key, rows in by_key.items():
        entry = evidence.ledger.get(key)
        if entry is None:
            yield Flaw("strange", key[0], f"{key[1]} was never written")
            continue
        if entry.is_kept is False:
            yield Flaw("strange", key[0], f"{key[1]} is there, and its gateway said that it is lost")
        for row in rows:
            for name in ("restriction_pa", "supply_voltage_v"):
                if not _is_same(getattr(row, name), getattr(entry, name)):
                    was, now = getattr(entry, name), getattr(row, name)
                    yield Flaw("changed", key[0], f"{key[1]}: {name} was {was}, is {now}")
            if entry.at_us is not None and us_of_text(row.at) != entry.at_us:
                yield Flaw("changed", key[0], f"{key[1]}: its time was {entry.at_us} us, is {row.at}")


def _is_same(now: float | None, was: float) -> bool:
    return now is not None and abs(now - was) <= RELATIVE * max(1.0, abs(was))


def _times(evidence: Evidence) -> Iterator[Flaw]:
    for row in evidence.shown:
        entry = evidence.ledger.get((row.device, row.number))
        if entry is None or entry.at_us is not None:
            continue
        off_us = outside_us(row, entry)
        if off_us is None:
            yield Flaw("time", row.device, f"{row.number}: no width is stated for {row.at}")
        elif off_us > 0:
            width = f"{row.at} +- {row.at_uncertainty_s} s"
            yield Flaw("time", row.device, f"{row.number}: {width} is {off_us / 1e6:.3f} s off when it was")


def outside_us(row: Shown, entry: WrittenReading) -> int | None:
    """
    By how much a reading's time, with its width, misses the span in which it was measured [us].

    None: it states no width.

    Measured as it came in: after it was written, and before its answer was heard, where there was one.
    """
    if row.at_uncertainty_s is None:
        return None
    at_us, half_us = us_of_text(row.at), round(row.at_uncertainty_s * 1e6) + CLOCK_SLACK_US
    too_early_us = entry.sent_us - (at_us + half_us)
    too_late_us = 0 if entry.answered_us is None else (at_us - half_us) - entry.answered_us
    return max(0, too_early_us, too_late_us)


def us_of_text(at: str) -> int:
    """Microseconds since 1970 of a time as the shop writes it."""
    found = datetime.fromisoformat(at)
    return round(found.timestamp()) * 1_000_000 if not found.microsecond else _exact_us(found)


def _exact_us(found: datetime) -> int:
    whole = found.replace(microsecond=0)
    return round(whole.timestamp()) * 1_000_000 + found.microsecond


def _order(evidence: Evidence) -> Iterator[Flaw]:
    streams: dict[tuple[str, str], list[tuple[int, int]]] = defaultdict(list)
    for row in evidence.shown:
        streams[row.device, row.stream].append((row.seq, row.number))
    for (device, stream), rows in streams.items():
        rows.sort()
        for (seq, _), (other, _) in pairwise(rows):
            if seq == other:
                yield Flaw("twice", device, f"{stream}: number {seq} is there twice")
        steps_back = [(a, b) for (_, a), (_, b) in pairwise(rows) if b < a]
        may_step_back = RUNS_OF_A_COPY - 1 if device in evidence.copied else 0
        if len(steps_back) > may_step_back:
            yield Flaw("order", device, f"{stream}: {_some(steps_back)} stand the wrong way round")


def _quarantined(evidence: Evidence, by_key: Mapping[ReadingKey, object]) -> Iterator[Flaw]:
    """Nothing that was written gives a reason; but a copied spool's second reading stays beside the first."""
    for device, number, code in evidence.quarantined:
        if code != "number_conflict" or device not in evidence.copied:
            yield Flaw("quarantined", device, f"{number}: {code}")
        elif (device, number) not in by_key and (device, number) in evidence.ledger:
            yield Flaw("lost", device, f"{number} is in quarantine only: {code}")


def _declared(evidence: Evidence) -> Iterator[Flaw]:
    said, at_shop, seen = Counter[str](), Counter[str](), Counter[str]()
    for entry in evidence.ledger.values():
        said[entry.device] += entry.is_kept is False
    for line in evidence.account["streams"]:
        for declared in line["declared"]:
            if declared["event"] == LOST_READINGS:
                at_shop[line["device"]] += declared["readings"]
    for group in evidence.attention["groups"]:
        for shown in group["entries"]:
            if group["group"] == "declared" and shown["code"] == LOST_READINGS:
                seen[shown["device"]] += shown["value"] or 0
    for device in said:
        if said[device] > at_shop[device]:
            yield Flaw("undeclared", device, f"{said[device]} lost as it said, {at_shop[device]} declared")
        if at_shop[device] != seen[device]:
            yield Flaw(
                "unseen", device, f"{at_shop[device]} declared lost, {seen[device]} shown in attention"
            )


def _account(evidence: Evidence) -> Iterator[Flaw]:
    tally = Counter((row.device, row.stream) for row in evidence.shown)
    for line in evidence.account["streams"]:
        device, stream = line["device"], line["stream"]
        for fault in line["faults"]:
            yield Flaw("account", device, f"{stream}: {fault}")
        for state in ("gap", "pending", "lost"):
            if line[state]:
                yield Flaw("account", device, f"{stream}: {line[state]} {state}")
        if line["stored"] != tally.pop((device, stream), 0):
            yield Flaw("account", device, f"{stream}: {line['stored']} stored, and other rows are shown")
    for device, stream in tally:
        yield Flaw("account", device, f"{stream} has rows and no account")


def _files(evidence: Evidence) -> Iterator[Flaw]:
    for gateway, faults in evidence.file_faults.items():
        yield from (Flaw("file", gateway, fault) for fault in faults)
    for gateway, waiting in evidence.waiting.items():
        if waiting:
            yield Flaw("file", gateway, f"{waiting} still wait")
    devices = {entry.writer: entry.device for entry in evidence.ledger.values()}
    seen = Counter((row.writer, row.number) for row in evidence.in_files)
    for (gateway, number), times in seen.items():
        if times > 1:
            yield Flaw("file", gateway, f"{number} is in its file {counted(times, 'time')}")
    for row in evidence.in_files:
        entry = evidence.ledger.get((devices.get(row.writer, ""), row.number))
        if entry is None:
            yield Flaw("strange", row.writer, f"{row.number} is in its file and was never written")
        elif not (
            _is_same(row.restriction_pa, entry.restriction_pa)
            and _is_same(row.supply_voltage_v, entry.supply_voltage_v)
        ):
            yield Flaw("changed", row.writer, f"{row.number}: other values in its file")


def _some(things: Iterable[object]) -> str:
    listed = list(things)
    more = f" and {len(listed) - 5} more" if len(listed) > 5 else ""
    return ", ".join(map(str, listed[:5])) + more


def by_kind(flaws: Iterable[Flaw]) -> dict[str, list[Flaw]]:
    """Findings of each kind, in the order in which kinds were met."""
    found: dict[str, list[Flaw]] = {}
    for flaw in flaws:
        found.setdefault(flaw.kind, []).append(flaw)
    return found
