"""
The content of a batch: readings in columns, shed ranges, the gateway's report.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar, Final

from cleanside.gateway.wire.coded import Coded, Sentences, Values
from cleanside.gateway.wire.instants import instant_text
from cleanside.gateway.wire.limits import MAX_INTEGER, MAX_SHIFT_S, is_name


class NoReading(Coded, ValueError):
    """These arguments make no `Reading`."""

    SENTENCES: ClassVar[Sentences] = {
        "no_zone": "at {at} has no zone; give an aware datetime, for example in UTC",
        "unit_undeclared": "no unit is declared for {quantities}; add it to units",
    }


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """What one device measured at one instant."""

    #: when; aware. None where only the seconds since boot are known yet (the clock places it later)
    at: datetime | None = None
    #: half width of what `at` may be off [s]. None: unknown. 0: exact
    at_uncertainty_s: float | None = None
    #: quantity name -> value, in the unit that `units` declares
    values: Mapping[str, float]
    #: quantity name -> unit as declared by the source
    units: Mapping[str, str]

    def __post_init__(self) -> None:
        if self.at is not None and self.at.utcoffset() is None:
            raise NoReading("no_zone", at=self.at.isoformat())
        if undeclared := self.values.keys() - self.units.keys():
            raise NoReading("unit_undeclared", quantities=", ".join(sorted(undeclared)))


@dataclass(frozen=True, slots=True)
class Doubt:
    """
    Why a reading is understood but not believed, and the repair a person can apply, if one is evident.

    Its sentence is made from code and values when it is read (`ingest.store.reasons`).
    """

    code: str
    #: the values of the sentence, in JSON's types
    values: Values = field(default_factory=dict)
    suggestion: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class ShedRange:
    """Numbers first..last that the gateway deleted unsent or no longer has, and why."""

    first: int
    last: int
    reason: str


@dataclass(frozen=True, slots=True)
class Opaque:
    """A record that the server refused to read, under its number, as raw bytes."""

    seq: int
    content: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class GatewayReport:
    """Facts for silence, time and the account. `extra` keeps members of a newer gateway."""

    version: str | None = None
    built: str | None = None
    #: identity of the spool's installation; another one under the same stream means a copied disk
    installation: str | None = None
    #: the highest number appended to the stream so far
    appended_through: int | None = None
    boots: tuple[Mapping[str, Any], ...] = ()
    events: tuple[Mapping[str, Any], ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


#: event: a later anchor gives the true times of readings of a boot that were sent already
BOOT_CORRECTED = "boot_corrected"
#: event: an answer of the server contradicts the time of the boot that an earlier one gave
BOOT_CONTRADICTED: Final = "boot_contradicted"
#: beginnings of events that a person at the shop has to see, also of gateways newer than this program
DECLARED = ("readings_", "spool_", "stream_", "budget_", BOOT_CONTRADICTED)


def is_declared(event: str) -> bool:
    """True for an event that declares a loss, a damage, a new numbering, a full budget, or a doubted time."""
    return event.startswith(DECLARED)


#: readings that one event may declare lost: one a second for 31 years; more is no count (chosen)
MOST_DECLARED: Final = 10**9


def readings_in(event: str, content: Mapping[str, Any]) -> int:
    """How many readings an event declares lost or damaged; 0 where it declares none, or an absurd number."""
    count = content.get("count")
    says_one = event.startswith("readings_") and type(count) is int and 0 < count <= MOST_DECLARED
    return count if says_one else 0  # type: ignore[return-value]  # an int where it has one


@dataclass(frozen=True, kw_only=True, slots=True)
class BootCorrection:
    """
    The correction that a later anchor gives for a boot that was placed before.

    It holds for the boot's readings below `at_seq`, back to `first_seq`, and not beyond the number at which
    the boot was placed last.
    """

    boot: str
    at_seq: int
    #: to be added to the times that were sent [s]
    shift_s: float
    #: half width of the corrected times [s]
    uncertainty_s: float
    #: kind of the anchor, as in `boots`
    anchor: str | None
    #: before it stand readings that brought a time of their own; 1: an older gateway does not say
    first_seq: int = 1


def boot_correction(event: Mapping[str, Any]) -> BootCorrection | None:
    """The correction of an event; None where it has none that can be understood. Pure."""
    boot, at_seq, anchor = event.get("boot"), event.get("at_seq"), event.get("kind")
    shift_s, uncertainty_s = event.get("shift_s"), event.get("uncertainty_s")
    if event.get("event") != BOOT_CORRECTED or not isinstance(boot, str) or not is_name(boot):
        return None
    if type(at_seq) is not int or not 1 <= at_seq <= MAX_INTEGER:
        return None
    first_seq = event.get("first_seq", 1)
    if type(first_seq) is not int or not 1 <= first_seq <= MAX_INTEGER:
        return None
    shift, half_width = _seconds(shift_s), _seconds(uncertainty_s)
    if shift is None or half_width is None or half_width < 0:
        return None
    kind = anchor if isinstance(anchor, str) and is_name(anchor) else None
    return BootCorrection(
        boot=boot,
        at_seq=at_seq,
        shift_s=shift,
        uncertainty_s=half_width,
        anchor=kind,
        first_seq=first_seq,
    )


def _seconds(value: Any) -> float | None:
    fits = type(value) in (int, float) and math.isfinite(value) and abs(value) < MAX_SHIFT_S
    return float(value) if fits else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Batch:
    """
    A batch in columns, from either layout.

    Every list has one entry a reading. A numbered batch is sorted: `seq` rises strictly.
    """

    device: str
    #: canonical UUID text, or None where the sender has no numbering
    stream: str | None = None
    seq: Sequence[int] | None = None
    #: microseconds since 1970; None where the text is not understood (then there is a doubt)
    at_us: Sequence[int | None] = ()
    #: index -> text where `at_us` is not exact: leap seconds, finer digits, texts not understood
    at_text: Mapping[int, str] = field(default_factory=dict)
    #: one for all, or one each; None means unknown, 0 exact [s]
    at_uncertainty_s: float | Sequence[float | None] | None = None
    units: Mapping[str, str] = field(default_factory=dict)
    #: quantity -> values as sent; None where a reading has none
    columns: Mapping[str, Sequence[float | None]] = field(default_factory=dict)
    #: index -> why that reading is not believed; empty for nearly all
    doubts: Mapping[int, tuple[Doubt, ...]] = field(default_factory=dict)
    shed: tuple[ShedRange, ...] = ()
    opaque: Opaque | None = None
    gateway: GatewayReport | None = None
    #: readings replace quarantined ones of the same number (without numbers: the same instant)
    replace_quarantined: bool = False

    def __len__(self) -> int:
        return len(self.at_us)

    def uncertainty_s(self, index: int) -> float | None:
        """Half width of the time of reading `index` [s]; None: unknown."""
        given = self.at_uncertainty_s
        return given[index] if isinstance(given, Sequence) else given

    def instant_text(self, index: int) -> str:
        """The instant of reading `index` as an exact text in UTC, or as sent where it was not understood."""
        at_us = self.at_us[index]
        return self.at_text[index] if index in self.at_text or at_us is None else instant_text(at_us)

    def as_sent(self, index: int) -> dict[str, Any]:
        """Reading `index` as a plain object with its units, whole: the content in quarantine."""
        values = {name: column[index] for name, column in self.columns.items() if column[index] is not None}
        sent: dict[str, Any] = {} if self.seq is None else {"seq": self.seq[index]}
        sent["at"] = self.instant_text(index)
        if (uncertainty := self.uncertainty_s(index)) is not None:
            sent["at_uncertainty_s"] = uncertainty
        return sent | {"units": {name: self.units[name] for name in values if name in self.units}} | values
