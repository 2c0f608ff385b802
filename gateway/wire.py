"""
The contract between gateway and server: what a batch is, what an answer is, how both are read and written.

Promises: one strict decoder for both sides. A body is a batch exactly as specified or it is refused
whole, with every problem named. Inside a batch, a time or unit that is not as specified leaves its
reading in the batch with a `Doubt`, so that one bad reading never blocks those behind it.
Leaves to others: content coding, the digest, checks that need the server's clock or store.

In the order of reading: limits, instants, what a batch holds, decode a batch, encode a batch, answers.
"""

from __future__ import annotations

import base64
import binascii
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from itertools import accumulate, chain, pairwise
from operator import itemgetter
from typing import Any
from uuid import UUID

import orjson

from cleanside.gateway.units import QUANTITIES, accepts, counted, suggest_unit

# ---------------------------------------------------------------- limits (published in answers and docs)

MAX_BODY_BYTES = 2**20  # as sent
MAX_DECODED_BYTES = 8 * 2**20  # counted while decompressing
MAX_READINGS = 5_000  # a batch
MAX_SHED_RANGES = 1_000  # a batch
MAX_LISTED = 64  # entries of a list in an answer; the rest is counted
MAX_QUANTITIES = 64  # a batch; each costs a column of the batch's length in memory
MAX_NAME_LENGTH = 64
MAX_INTEGER = 2**53  # beyond it a JSON number is not the same integer for everyone (RFC 8259 section 6)
MAX_DEPTH = 8
MAX_SHIFT_S = 4e9  # of a boot correction: from 1900 to now

BATCH_MEDIA_TYPE = "application/json"
ANSWER_MEDIA_TYPE = "application/json"
PROBLEM_MEDIA_TYPE = "application/problem+json"

_NAME = re.compile(r"[A-Za-z0-9:._-]{1,64}", re.ASCII)
_NOT_A_QUANTITY = frozenset({"seq", "at", "at_uncertainty_s"})
_MICRO = 1_000_000


def is_name(text: str) -> bool:
    """True if `text` may name a device, quantity, machine or key: 1 to 64 of A-Z a-z 0-9 - : . _"""
    return _NAME.fullmatch(text) is not None


class BatchRefused(Exception):
    """The body is not a batch, or contradicts itself. Nothing of it may be taken; all problems are named."""

    def __init__(self, status: int, problems: Sequence[Problem], more: int = 0) -> None:
        self.status = status  # 400 not JSON, 422 not a batch
        self.problems = tuple(problems)
        self.more = more  # problems found beyond those listed
        super().__init__("; ".join(p.detail for p in self.problems))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a body: where (JSON pointer as URI fragment, RFC 6901), what, rule, next step."""

    pointer: str
    detail: str


# ---------------------------------------------------------------- instants

_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))", re.ASCII
)
_PLAIN = re.compile(
    r"\d{4}-\d\d-\d\dT(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{1,6})?(?:Z|[+-](?:[01]\d|2[0-3]):[0-5]\d)",
    re.ASCII,
)
_IN_UTC = re.compile(r"0000-00-00T00:00:00(?:\.0{1,6})?Z", re.ASCII)  # each digit written as zero
_TO_ZERO = str.maketrans("123456789", "0" * 9)
_NO_OFFSET = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?", re.ASCII)
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Instant:
    """
    An instant as sent.

    us : microseconds since 1970-01-01T00:00:00Z, leap seconds not counted; finer digits are cut, not rounded.
    exact : its RFC 3339 text in UTC where `us` cannot tell it from another instant
        (a leap second, digits finer than a microsecond); None where `us` says all.
    """

    us: int
    exact: str | None = None


def parse_instant(text: str) -> Instant:
    """
    Read an RFC 3339 date-time with an offset, section 5.6, and nothing looser.

    A leap second is accepted at the end of a UTC month; its `us` is that of the next second, `exact` differs.
    Raises ValueError; the message has the value, the rule and the next step.
    """
    if _PLAIN.fullmatch(text):  # nearly all; the pattern holds what fromisoformat alone would not
        with suppress(ValueError):  # a day that does not exist, said better below
            return Instant(us_of(datetime.fromisoformat(text)))
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise ValueError(_why_not_rfc3339(text))
    year, month, day, hour, minute, second = map(int, match.groups()[:6])
    fraction = (match[7] or "").rstrip("0")
    offset_minutes = 0
    if match[8] is None:
        offset_minutes = int(match[10]) * 60 + int(match[11])
        if int(match[10]) > 23 or int(match[11]) > 59:
            raise ValueError(f'"{text[:40]}" has an offset beyond 23:59; send the time in UTC, ending in Z')
        offset_minutes *= -1 if match[9] == "-" else 1
    try:
        days = date(year, month, day).toordinal() - _EPOCH_DAY
    except ValueError as error:
        raise ValueError(
            f'"{text[:40]}" names a day that does not exist ({error}); check the clock'
        ) from None
    if hour > 23 or minute > 59 or second > 60:
        raise ValueError(f'"{text[:40]}" is beyond 23:59:60; hours run 00 to 23, minutes 00 to 59')
    seconds = days * 86_400 + hour * 3_600 + minute * 60 + second - offset_minutes * 60
    if second == 60 and not _ends_a_month(seconds):
        raise ValueError(f'"{text[:40]}" has a leap second that does not end a UTC month; check the clock')
    us = seconds * _MICRO + int(fraction[:6].ljust(6, "0"))
    if second == 60 or len(fraction) > 6:
        return Instant(us, _exact_text(seconds, fraction, leap=second == 60))
    return Instant(us)


def _why_not_rfc3339(text: str) -> str:
    if _NO_OFFSET.fullmatch(text):
        return f'"{text[:40]}" has no offset from UTC; send one, like "2026-03-02T06:14:07.250Z"'
    return f'"{text[:40]}" is not an RFC 3339 date-time; send it like "2026-03-02T06:14:07.250Z"'


def _ends_a_month(next_second: int) -> bool:
    if next_second % 86_400:
        return False
    ordinal = next_second // 86_400 + _EPOCH_DAY
    return 1 <= ordinal <= date.max.toordinal() and date.fromordinal(ordinal).day == 1


def _exact_text(seconds: int, fraction: str, *, leap: bool) -> str:
    whole = instant_text((seconds - leap) * _MICRO)[:-1]
    if leap:
        whole = whole[:-2] + "60"
    return whole + (f".{fraction}" if fraction else "") + "Z"


def instant_text(us: int) -> str:
    """Write microseconds since 1970 as RFC 3339 in UTC: no fraction where it is zero, else 3 or 6 digits."""
    seconds, micros = divmod(us, _MICRO)
    days, in_day = divmod(seconds, 86_400)
    try:
        day = date.fromordinal(days + _EPOCH_DAY).isoformat()
    except (ValueError, OverflowError):
        raise ValueError(f"{us} us since 1970 lies outside the years 0001 to 9999") from None
    fraction = "" if not micros else f".{micros // 1000:03d}" if micros % 1000 == 0 else f".{micros:06d}"
    return f"{day}T{in_day // 3600:02d}:{in_day // 60 % 60:02d}:{in_day % 60:02d}{fraction}Z"


def us_of(instant: datetime) -> int:
    """Microseconds since 1970 of an aware datetime. Raises ValueError for a naive one."""
    if instant.utcoffset() is None:
        raise ValueError(f"{instant.isoformat()} has no zone; give an aware datetime, for example in UTC")
    since = instant - _EPOCH
    return (since.days * 86_400 + since.seconds) * _MICRO + since.microseconds


def datetime_of(us: int) -> datetime:
    """The aware UTC datetime of microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)


# ---------------------------------------------------------------- what a batch holds


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """What one device measured at one instant."""

    #: when; aware. None where only the seconds since boot are known yet (the clock places it later)
    at: datetime | None = None
    #: half width of what `at` may be off [s]. None: unknown. 0: exact
    at_uncertainty_s: float | None = None
    #: quantity name -> value, in the unit that `units` declares
    values: Mapping[str, float]
    #: quantity name -> unit as declared by whoever measured
    units: Mapping[str, str]

    def __post_init__(self) -> None:
        if self.at is not None and self.at.utcoffset() is None:
            raise ValueError(
                f"at {self.at.isoformat()} has no zone; give an aware datetime, for example in UTC"
            )
        if undeclared := self.values.keys() - self.units.keys():
            raise ValueError(f"no unit is declared for {', '.join(sorted(undeclared))}; add it to units")


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a reading is understood but not believed, and the repair a person can apply, if one is evident."""

    code: str
    detail: str
    suggestion: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class ShedRange:
    """Numbers first..last that the gateway gave up or no longer holds, and why."""

    first: int
    last: int
    reason: str


@dataclass(frozen=True, slots=True)
class Opaque:
    """A record that the server would not read, under its number, as the bytes it was."""

    seq: int
    content: bytes


@dataclass(frozen=True, kw_only=True, slots=True)
class GatewayReport:
    """What explains silence, time and the account. `extra` keeps what a newer gateway says beyond this."""

    version: str | None = None
    built: str | None = None
    #: identity of the spool's installation; another one under the same stream means a copied disk
    installation: str | None = None
    #: the highest number appended to the stream so far
    appended_through: int | None = None
    boots: tuple[Mapping[str, Any], ...] = ()
    events: tuple[Mapping[str, Any], ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)


#: event: an anchor that came later says where readings of a boot, sent already, really lie in time
BOOT_CORRECTED = "boot_corrected"


@dataclass(frozen=True, kw_only=True, slots=True)
class BootCorrection:
    """
    What a later anchor says of a boot that was placed before.

    It holds for the boot's readings below `at_seq`, back to the number at which the boot was placed last.
    """

    boot: str
    at_seq: int
    #: to be added to the times that were sent [s]
    shift_s: float
    #: half width of the corrected times [s]
    uncertainty_s: float
    #: kind of the anchor, as in `boots`
    anchor: str | None


def boot_correction(event: Mapping[str, Any]) -> BootCorrection | None:
    """The correction that an event says; None where it says none that can be understood. Pure."""
    boot, at_seq, anchor = event.get("boot"), event.get("at_seq"), event.get("kind")
    shift_s, uncertainty_s = event.get("shift_s"), event.get("uncertainty_s")
    if event.get("event") != BOOT_CORRECTED or not isinstance(boot, str) or not is_name(boot):
        return None
    if type(at_seq) is not int or not 1 <= at_seq <= MAX_INTEGER:
        return None
    shift, half_width = _seconds(shift_s), _seconds(uncertainty_s)
    if shift is None or half_width is None or half_width < 0:
        return None
    known = anchor if isinstance(anchor, str) and is_name(anchor) else None
    return BootCorrection(boot=boot, at_seq=at_seq, shift_s=shift, uncertainty_s=half_width, anchor=known)


def _seconds(value: Any) -> float | None:
    fits = type(value) in (int, float) and math.isfinite(value) and abs(value) < MAX_SHIFT_S
    return float(value) if fits else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Batch:
    """
    A batch in columns, whichever layout it came in.

    Every list has one entry a reading. A numbered batch is sorted: `seq` rises strictly.
    """

    device: str
    #: canonical UUID text, or None where the sender has no numbering
    stream: str | None = None
    seq: Sequence[int] | None = None
    #: microseconds since 1970; None where the text is not understood (then there is a doubt)
    at_us: Sequence[int | None] = ()
    #: index -> text where `at_us` cannot say all: leap seconds, finer digits, texts not understood
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
        """Reading `index` as a plain object with its units, whole: what quarantine keeps."""
        values = {name: column[index] for name, column in self.columns.items() if column[index] is not None}
        sent: dict[str, Any] = {} if self.seq is None else {"seq": self.seq[index]}
        sent["at"] = self.instant_text(index)
        if (uncertainty := self.uncertainty_s(index)) is not None:
            sent["at_uncertainty_s"] = uncertainty
        return sent | {"units": {name: self.units[name] for name in values if name in self.units}} | values


# ---------------------------------------------------------------- decode a batch

_ENVELOPE = frozenset(
    {"device", "stream", "units", "readings", "first_seq", "seq", "start", "step_ms", "at_uncertainty_s"}
    | {"columns", "shed", "opaque", "gateway"}
)
_COLUMNS_ONLY = ("columns", "first_seq", "seq", "start", "step_ms", "at_uncertainty_s")


def decode(body: bytes) -> Batch:
    """
    Read a batch, strictly.

    Raises BatchRefused: 400 for what is not JSON as RFC 8259 has it (UTF-8, no duplicate keys, no NaN),
    422 for what is not a batch or contradicts itself.
    """
    document = _load_plain(body) or load_json(body)
    notes = _Notes()
    if not isinstance(document, dict):
        raise BatchRefused(422, [Problem("#", f"a batch is a JSON object, this is {_kind(document)}")])
    for key in document.keys() - _ENVELOPE:
        notes.add(f"#/{_escape(key)}", f'"{key[:64]}" is not a member of a batch; remove it')
    device = notes.name(document.get("device"), "#/device", required=True)
    stream = _stream(document, notes)
    units = _units(document, notes)
    rows = _Rows(units)
    if "readings" in document:
        _decode_readings(document, rows, notes, numbered=stream is not None)
    elif any(key in document for key in _COLUMNS_ONLY):
        _decode_columns(document, rows, notes, numbered=stream is not None)
    shed = _shed(document, notes)
    opaque = _opaque(document, notes)
    report = _report(document, notes)
    if not (notes.problems or rows.at_us or shed or opaque or report):
        notes.add("#", "the batch is empty; send readings, columns, shed, opaque or gateway")
    if stream is None and (shed or opaque):
        notes.add("#/stream", "shed and opaque speak of numbers; add the stream they belong to")
    _no_contradiction(rows, shed, opaque, notes)
    notes.refuse_if_any()
    return rows.batch(device=device, stream=stream, shed=shed, opaque=opaque, gateway=report)


def load_json(body: bytes) -> Any:
    """Read JSON strictly: UTF-8, no duplicate keys, no NaN, no Infinity. Raises BatchRefused (400)."""
    try:
        return json.loads(body.decode("utf-8"), object_pairs_hook=_no_duplicates, parse_constant=_no_constant)
    except UnicodeDecodeError as error:
        detail = f"byte {error.start} is not UTF-8; send JSON in UTF-8"
    except json.JSONDecodeError as error:
        detail = f"not JSON: {error.msg.removesuffix(' at')} at line {error.lineno} column {error.colno}"
    except RecursionError:
        detail = f"nested deeper than {MAX_DEPTH}; a batch is flat"
    except ValueError as error:  # a number of thousands of digits, a duplicate key, NaN
        detail = str(error).split(";")[0] if "digits" in str(error) else str(error)
    raise BatchRefused(400, [Problem("#", detail)])


_DIGITS_TO_ZERO = bytes.maketrans(b"123456789", b"0" * 9)
_MANY_DIGITS = b"0" * 19  # an integer of fewer fits 64 bits


def _load_plain(body: bytes) -> dict[str, Any] | None:
    """
    Read an object with nothing odd about it several times faster; None: `load_json` has to look.

    What the fast parser does otherwise than `load_json` is kept from it or found out: it takes the last of
    duplicate keys (then there are more quotes in the body than its keys and texts account for, as long as
    no backslash hides one), integers beyond 64 bits become floats, and it goes deeper.
    """
    if b"\\" in body or _MANY_DIGITS in body.translate(_DIGITS_TO_ZERO):
        return None
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError:
        return None  # said better there
    if type(document) is not dict:
        return None
    return document if body.count(b'"') == 2 * _texts_in(document, MAX_DEPTH) else None


def _texts_in(value: Any, levels: int) -> int:
    """Keys and texts in a value, so far as it is what a batch has there; too few where it is not."""
    if type(value) is str:
        return 1
    if type(value) is dict and levels:
        return len(value) + sum(_texts_in(inner, levels - 1) for inner in value.values())
    if type(value) is list and value and type(value[0]) is dict and levels:
        if set(map(type, value)) != {dict}:
            return 0
        flat = list(map(type, chain.from_iterable(map(dict.values, value))))
        if dict in flat or list in flat:  # events of a gateway
            return sum(_texts_in(inner, levels - 1) for inner in value)
        return sum(map(len, value)) + flat.count(str)
    return 0


def _no_duplicates(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) != len(pairs):
        keys = [key for key, _ in pairs]
        twice = next(key for key in keys if keys.count(key) > 1)
        raise ValueError(f'key "{twice[:64]}" stands twice in one object; which one counts would be a guess')
    return document


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not JSON; leave the value out, or send null")


class _Notes:
    """Collects problems, so that a sender learns all at once; beyond `MAX_LISTED` they are counted."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.more = 0

    def add(self, pointer: str, detail: str) -> None:
        if len(self.problems) < MAX_LISTED:
            self.problems.append(Problem(pointer, detail))
        else:
            self.more += 1

    def refuse_if_any(self) -> None:
        if self.problems:
            raise BatchRefused(422, self.problems, self.more)

    def name(self, value: Any, pointer: str, *, required: bool = False) -> str:
        if isinstance(value, str) and is_name(value):
            return value
        if value is not None or required:
            what = "is missing" if value is None else f"{_shown(value)} is not a name"
            self.add(pointer, f"{pointer[2:]} {what}; give 1 to 64 characters from A-Z a-z 0-9 - : . _")
        return ""

    def whole(self, value: Any, pointer: str, *, lowest: int = 1) -> int:
        if type(value) is int and lowest <= value <= MAX_INTEGER:
            return value
        self.add(pointer, f"{_shown(value)} is not a whole number from {lowest} to 2^53")
        return lowest

    def uncertainty(self, value: Any, pointer: str) -> float | None:
        if value is None or not _is_number(value, pointer, self, lowest=0.0):
            return None
        return float(value)


def _kind(value: Any) -> str:
    names = {dict: "an object", list: "a list", str: "a string", bool: "true or false"}
    return names.get(type(value), "null" if value is None else "a number")


def _shown(value: Any) -> str:
    if _is_deeper(value, MAX_DEPTH):
        return f"{_kind(value)} nested deeper than {MAX_DEPTH}"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 48 else f"{text[:45]}..."


def _escape(key: str) -> str:
    return key[:64].replace("~", "~0").replace("/", "~1")


def _is_number(value: Any, pointer: str, notes: _Notes, *, lowest: float = -math.inf) -> bool:
    if type(value) is float and math.isfinite(value) and value >= lowest:
        return True
    if type(value) is int and abs(value) <= MAX_INTEGER and value >= lowest:
        return True
    rule = "a number" if lowest == -math.inf else f"a number from {lowest:g} up"
    beyond = type(value) is int and abs(value) > MAX_INTEGER
    why = "is an integer beyond 2^53" if beyond else f"is not {rule}"
    notes.add(pointer, f"{pointer[2:]}: {_shown(value)} {why}; send a finite JSON number, or leave it out")
    return False


def _stream(document: dict[str, Any], notes: _Notes) -> str | None:
    value = document.get("stream")
    if "stream" not in document:
        return None
    try:
        if isinstance(value, str) and len(value) == 36:
            return str(UUID(value))
    except ValueError:
        pass
    notes.add(
        "#/stream", f"stream {_shown(value)} is not a UUID; send it like 019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
    )
    return None


def _units(document: dict[str, Any], notes: _Notes) -> dict[str, str]:
    value = document.get("units", {})
    if not isinstance(value, dict):
        notes.add("#/units", f'units is {_kind(value)}; send an object, like {{"restriction": "kPa"}}')
        return {}
    for quantity, unit in value.items():
        pointer = f"#/units/{_escape(quantity)}"
        if not is_name(quantity):
            notes.name(quantity, pointer)
        if not isinstance(unit, str) or not 1 <= len(unit) <= MAX_NAME_LENGTH or not unit.isprintable():
            notes.add(pointer, f"unit {_shown(unit)} is not a text of 1 to 64 characters")
    return {q: u for q, u in value.items() if isinstance(u, str)}


class _Rows:
    """The readings of a batch while they are decoded: columns, and the doubts about single readings."""

    def __init__(self, units: dict[str, str]) -> None:
        self.units = units
        self.seq: Sequence[int] | None = None
        self.at_us: list[int | None] = []
        self.at_text: dict[int, str] = {}
        self.uncertainty: float | list[float | None] | None = None
        self.columns: dict[str, list[float | None]] = {}
        self.doubts: dict[int, list[Doubt]] = {}

    def doubt_units(self) -> None:
        """Every reading that uses a quantity or unit we cannot vouch for gets a doubt, not the batch."""
        for quantity, column in self.columns.items():
            if (doubt := _unit_doubt(quantity, self.units.get(quantity))) is not None:
                for index, value in enumerate(column):
                    if value is not None:
                        self.doubts.setdefault(index, []).append(doubt)

    def batch(self, **envelope: Any) -> Batch:
        self.doubt_units()
        rows = self._sorted() if self.seq is not None and not _rises(self.seq) else self
        return Batch(
            seq=rows.seq,
            at_us=rows.at_us,
            at_text=rows.at_text,
            at_uncertainty_s=rows.uncertainty,
            units=rows.units,
            columns=rows.columns,
            doubts={index: tuple(doubts) for index, doubts in rows.doubts.items()},
            **envelope,
        )

    def _sorted(self) -> _Rows:
        assert self.seq is not None
        seq = self.seq
        order = sorted(range(len(seq)), key=seq.__getitem__)
        place = {old: new for new, old in enumerate(order)}
        rows = _Rows(self.units)
        rows.seq = [seq[i] for i in order]
        rows.at_us = [self.at_us[i] for i in order]
        rows.at_text = {place[i]: text for i, text in self.at_text.items()}
        each = self.uncertainty
        rows.uncertainty = [each[i] for i in order] if isinstance(each, list) else each
        rows.columns = {name: [column[i] for i in order] for name, column in self.columns.items()}
        rows.doubts = {place[i]: doubts for i, doubts in self.doubts.items()}
        return rows


def _rises(numbers: Sequence[int]) -> bool:
    return isinstance(numbers, range) or all(a < b for a, b in pairwise(numbers))


def _unit_doubt(quantity: str, unit: str | None) -> Doubt | None:
    if quantity not in QUANTITIES:
        return Doubt("quantity_unknown", f'"{quantity}" is not a quantity this version knows; held as sent')
    if unit is None:
        return Doubt("unit_undeclared", f"no unit is declared for {quantity}; add it to units")
    if accepts(unit, quantity):
        return None
    likely = suggest_unit(unit, quantity)
    accepted = ", ".join(f'"{name}"' for name in list(QUANTITIES[quantity].units)[:4])
    return Doubt(
        "unit_not_accepted",
        f'unit "{unit}" is not accepted for {quantity}; send one of {accepted}',
        {"units": {quantity: likely}} if likely else None,
    )


def _decode_readings(document: dict[str, Any], rows: _Rows, notes: _Notes, *, numbered: bool) -> None:
    for key in _COLUMNS_ONLY:
        if key in document:
            notes.add(
                f"#/{key}", f"{key} belongs to the columns layout; a batch has readings or columns, not both"
            )
    readings = document["readings"]
    if not isinstance(readings, list) or not readings:
        notes.add("#/readings", "readings is not a list of at least one reading")
        return
    if not _few_enough(len(readings), "#/readings", notes):
        return
    if _decode_alike(readings, rows, numbered=numbered):
        return
    seq: list[int] = []
    uncertainty: list[float | None] = []
    for index, reading in enumerate(readings):
        if not isinstance(reading, dict):
            notes.add(f"#/readings/{index}", f"reading {index} is {_kind(reading)}; send an object")
            continue
        if numbered:
            seq.append(notes.whole(reading.get("seq"), f"#/readings/{index}/seq"))
        elif "seq" in reading:
            notes.add(
                f"#/readings/{index}/seq",
                f"reading {index} has a seq but the batch has no stream; send both or neither",
            )
        _decode_at(reading.get("at"), index, rows, notes)
        given = reading.get("at_uncertainty_s")
        pointer = f"#/readings/{index}/at_uncertainty_s"
        uncertainty.append(None if given is None else notes.uncertainty(given, pointer))
        _decode_values(reading, index, len(readings), rows, notes)
    rows.seq = _as_range(seq) if numbered else None
    rows.uncertainty = uncertainty[0] if len(set(uncertainty)) == 1 else uncertainty


def _decode_alike(readings: list[Any], rows: _Rows, *, numbered: bool) -> bool:
    """
    Decode readings that have the same members each, with nothing odd, column by column: nearly all batches.

    False, and nothing decoded, where one of them needs a closer look.
    """
    if set(map(type, readings)) != {dict} or len(readings[0]) < 2:
        return False
    names = tuple(readings[0])
    if set(map(len, readings)) != {len(names)} or ("seq" in names) != numbered:
        return False
    try:
        columns = dict(zip(names, zip(*map(itemgetter(*names), readings), strict=True), strict=True))
    except KeyError:
        return False
    at_us = _plain_instants(columns.pop("at", ()))
    seq, uncertainty = columns.pop("seq", (1,)), columns.pop("at_uncertainty_s", (None,))
    quantities = {name: list(column) for name, column in columns.items() if is_name(name)}
    if at_us is None or len(quantities) != len(columns) or len(columns) > MAX_QUANTITIES:
        return False
    if not _all_whole(seq) or min(seq) < 1 or set(map(type, uncertainty)) - {float, type(None)}:
        return False
    if not all(map(_is_plain, quantities.values())) or not all(
        u is None or 0 <= u < math.inf for u in uncertainty
    ):
        return False
    rows.seq = _as_range(list(seq)) if numbered else None
    rows.at_us, rows.columns = [*at_us], quantities
    rows.uncertainty = uncertainty[0] if len(set(uncertainty)) == 1 else list(uncertainty)
    return True


def _plain_instants(texts: Sequence[Any]) -> list[int] | None:
    """Microseconds since 1970 of texts that all look like "2026-03-02T06:14:07.250Z"; None: look closer."""
    if set(map(type, texts)) != {str}:
        return None
    shapes = set("\n".join(texts).translate(_TO_ZERO).split("\n"))
    if not all(map(_IN_UTC.fullmatch, shapes)) or any(text[11:13] == "24" for text in texts):
        return None
    try:
        since = [text - _EPOCH for text in map(datetime.fromisoformat, texts)]
    except ValueError:  # the 31st of April, a leap second
        return None
    return [(d.days * 86_400 + d.seconds) * _MICRO + d.microseconds for d in since]


def _decode_at(value: Any, index: int, rows: _Rows, notes: _Notes) -> None:
    if not isinstance(value, str) or len(value) > MAX_NAME_LENGTH:
        notes.add(f"#/readings/{index}/at", f"reading {index}: at is {_shown(value)}; send an RFC 3339 text")
        rows.at_us.append(None)
        return
    try:
        instant = parse_instant(value)
    except ValueError as error:
        code = "time_without_offset" if _NO_OFFSET.fullmatch(value) else "time_not_rfc3339"
        rows.doubts.setdefault(len(rows.at_us), []).append(Doubt(code, f"at {error}"))
        rows.at_text[len(rows.at_us)] = value
        rows.at_us.append(None)
        return
    if instant.exact is not None:
        rows.at_text[len(rows.at_us)] = instant.exact
    rows.at_us.append(instant.us)


def _decode_values(reading: dict[str, Any], index: int, count: int, rows: _Rows, notes: _Notes) -> None:
    columns = rows.columns
    for name, value in reading.items():
        if name not in columns:
            if name in _NOT_A_QUANTITY or not _may_be_quantity(name, columns, notes):
                continue
            columns[name] = [None] * count
        if value is None:
            continue
        plain = type(value) is float and math.isfinite(value)
        if plain or _is_number(value, f"#/readings/{index}/{_escape(name)}", notes):
            columns[name][index] = value


def _may_be_quantity(name: str, columns: Mapping[str, Any], notes: _Notes) -> bool:
    if not is_name(name) or name in _NOT_A_QUANTITY:
        notes.add("#", f'"{name[:64]}" cannot be the name of a quantity; use A-Z a-z 0-9 - : . _')
        return False
    if len(columns) >= MAX_QUANTITIES:
        notes.add("#", f'"{name}" is one quantity too many; a batch takes at most {MAX_QUANTITIES}; split it')
    return len(columns) < MAX_QUANTITIES


def _decode_columns(document: dict[str, Any], rows: _Rows, notes: _Notes, *, numbered: bool) -> None:
    steps = document.get("step_ms")
    if not isinstance(steps, list) or not steps:
        notes.add(
            "#/step_ms",
            "step_ms is not a list of at least one number; give the time since the reading before [ms]",
        )
        return
    count = len(steps)
    if not _few_enough(count, "#/step_ms", notes):
        return
    rows.seq = _decode_seq(document, count, notes) if numbered else None
    if not numbered and ("seq" in document or "first_seq" in document):
        notes.add("#/stream", "the batch has numbers but no stream; send both or neither")
    _decode_steps(document.get("start"), steps, rows, notes)
    rows.uncertainty = _decode_uncertainty(document.get("at_uncertainty_s"), count, notes)
    columns = document.get("columns", {})
    if not isinstance(columns, dict):
        notes.add("#/columns", f"columns is {_kind(columns)}; send an object of lists")
        return
    for name, column in columns.items():
        pointer = f"#/columns/{_escape(name)}"
        if _may_be_quantity(name, rows.columns, notes) and _is_list_of(column, count, pointer, notes):
            rows.columns[name] = _decode_column(column, pointer, notes)


def _few_enough(count: int, pointer: str, notes: _Notes) -> bool:
    if count > MAX_READINGS:
        notes.add(pointer, f"{counted(count, 'reading')}; a batch takes at most {MAX_READINGS}; split it")
    return count <= MAX_READINGS


def _is_list_of(value: Any, count: int, pointer: str, notes: _Notes) -> bool:
    if isinstance(value, list) and len(value) == count:
        return True
    what = (
        f"has {counted(len(value), 'entry', 'entries')}" if isinstance(value, list) else f"is {_kind(value)}"
    )
    notes.add(pointer, f"{pointer[2:]} {what}; step_ms has {count} and all lists have one length")
    return False


def _decode_seq(document: dict[str, Any], count: int, notes: _Notes) -> Sequence[int]:
    if ("first_seq" in document) == ("seq" in document):
        notes.add(
            "#/first_seq", "a numbered columns batch has first_seq (consecutive numbers) or seq (a list)"
        )
        return range(1, count + 1)
    if "first_seq" in document:
        first = notes.whole(document["first_seq"], "#/first_seq")
        return range(first, first + count)
    numbers = document["seq"]
    if not _is_list_of(numbers, count, "#/seq", notes):
        return range(1, count + 1)
    return _as_range([notes.whole(n, f"#/seq/{i}") for i, n in enumerate(numbers)])


def _as_range(numbers: list[int]) -> Sequence[int]:
    consecutive = range(numbers[0], numbers[0] + len(numbers)) if numbers else range(0)
    return consecutive if list(consecutive) == numbers else numbers


def _decode_steps(start: Any, steps: list[Any], rows: _Rows, notes: _Notes) -> None:
    try:
        instant = parse_instant(start if isinstance(start, str) else _shown(start))
        if instant.exact is not None:
            raise ValueError(f'"{start}" is a leap second or finer than a microsecond; send it as readings')
    except ValueError as error:
        notes.add("#/start", f"start {error}")
        instant = Instant(0)
    for index, step in enumerate(steps if not _all_whole(steps) else ()):
        if type(step) is not int or abs(step) > MAX_INTEGER:
            notes.add(f"#/step_ms/{index}", f"step_ms: {_shown(step)} is not a whole number of milliseconds")
    if notes.problems:
        rows.at_us = [instant.us] * len(steps)
        return
    rows.at_us = [instant.us + ms * 1000 for ms in accumulate(steps)]
    if not all(_is_datable(us) for us in (min(rows.at_us), max(rows.at_us))):  # type: ignore[type-var, arg-type]
        notes.add("#/step_ms", "step_ms leads outside the years 0001 to 9999; check the clock")


def _all_whole(numbers: Sequence[Any]) -> bool:
    """True if all are integers that every reader of JSON takes for the same number. One look at C speed."""
    return set(map(type, numbers)) == {int} and min(numbers) >= -MAX_INTEGER and max(numbers) <= MAX_INTEGER


def _is_datable(us: int) -> bool:
    return 1 <= us // (86_400 * _MICRO) + _EPOCH_DAY <= date.max.toordinal()


def _decode_uncertainty(value: Any, count: int, notes: _Notes) -> float | list[float | None] | None:
    if not isinstance(value, list):
        return notes.uncertainty(value, "#/at_uncertainty_s")
    if not _is_list_of(value, count, "#/at_uncertainty_s", notes):
        return None
    return [notes.uncertainty(entry, f"#/at_uncertainty_s/{i}") for i, entry in enumerate(value)]


def _decode_column(column: list[Any], pointer: str, notes: _Notes) -> list[float | None]:
    if not _is_plain(column):
        for index, value in enumerate(column):
            if value is not None:
                _is_number(value, f"{pointer}/{index}", notes)
    return column


def _is_plain(column: list[Any]) -> bool:
    """True if there are only finite numbers and None. One look at C speed; False: look at each entry."""
    types = set(map(type, column))
    if types == {float} and math.isfinite(sum(column)):  # where a sum overflows, the next line tells
        return True
    if not types <= {float, int, type(None)} or math.inf in column or -math.inf in column:
        return False
    return int not in types or _all_whole([value for value in column if type(value) is int])


def _shed(document: dict[str, Any], notes: _Notes) -> tuple[ShedRange, ...]:
    ranges = document.get("shed", [])
    if not isinstance(ranges, list) or len(ranges) > MAX_SHED_RANGES:
        notes.add("#/shed", f"shed is not a list of at most {MAX_SHED_RANGES} ranges; split it")
        return ()
    shed = []
    for index, entry in enumerate(ranges):
        pointer = f"#/shed/{index}"
        if not isinstance(entry, dict) or entry.keys() != {"first", "last", "reason"}:
            notes.add(pointer, f"shed {index} is not an object with first, last and reason")
            continue
        first = notes.whole(entry["first"], f"{pointer}/first")
        last = notes.whole(entry["last"], f"{pointer}/last", lowest=first)
        shed.append(ShedRange(first, last, notes.name(entry["reason"], f"{pointer}/reason", required=True)))
    shed.sort(key=lambda s: s.first)
    for before, after in pairwise(shed):
        if after.first <= before.last:
            notes.add(
                "#/shed", f"shed ranges {before.first}-{before.last} and {after.first}-{after.last} overlap"
            )
    return tuple(shed)


def _opaque(document: dict[str, Any], notes: _Notes) -> Opaque | None:
    if "opaque" not in document:
        return None
    value = document["opaque"]
    if (
        not isinstance(value, dict)
        or value.keys() != {"seq", "base64"}
        or not isinstance(value["base64"], str)
    ):
        notes.add("#/opaque", "opaque is not an object with seq and base64")
        return None
    try:
        content = base64.b64decode(value["base64"], validate=True)
    except (binascii.Error, ValueError):
        notes.add("#/opaque/base64", "opaque: base64 is not base64 (RFC 4648 section 4)")
        return None
    return Opaque(notes.whole(value["seq"], "#/opaque/seq"), content)


def _report(document: dict[str, Any], notes: _Notes) -> GatewayReport | None:
    """Check what we know of the gateway's report and keep the rest, so that a newer gateway passes."""
    if "gateway" not in document:
        return None
    value = document["gateway"]
    if not isinstance(value, dict) or _is_deeper(value, MAX_DEPTH - 1):
        notes.add("#/gateway", f"gateway is not an object nested at most {MAX_DEPTH} deep")
        return None
    known = {"version", "built", "installation", "appended_through", "boots", "events"}
    for key in ("version", "built", "installation"):
        notes.name(value.get(key), f"#/gateway/{key}")
    if value.get("appended_through") is not None:
        notes.whole(value["appended_through"], "#/gateway/appended_through", lowest=0)
    for key in ("boots", "events"):
        entries = value.get(key, [])
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            notes.add(f"#/gateway/{key}", f"{key} is not a list of objects")
    notes.refuse_if_any()
    return GatewayReport(
        version=value.get("version"),
        built=value.get("built"),
        installation=value.get("installation"),
        appended_through=value.get("appended_through"),
        boots=tuple(value.get("boots", ())),
        events=tuple(value.get("events", ())),
        extra={key: entry for key, entry in value.items() if key not in known},
    )


def _is_deeper(value: Any, levels: int) -> bool:
    """True if objects and lists stand in each other more than so many deep."""
    inner = value.values() if isinstance(value, dict) else value if isinstance(value, list) else None
    return inner is not None and (levels == 0 or any(_is_deeper(entry, levels - 1) for entry in inner))


def _no_contradiction(rows: _Rows, shed: tuple[ShedRange, ...], opaque: Opaque | None, notes: _Notes) -> None:
    numbers = list(rows.seq or ()) + ([opaque.seq] if opaque else [])
    if not isinstance(rows.seq, range) and len(set(numbers)) != len(numbers):
        seen: set[int] = set()
        twice = next(n for n in numbers if n in seen or seen.add(n))  # type: ignore[func-returns-value]
        notes.add("#", f"number {twice} stands twice in one batch; which one counts would be a guess")
    for entry in shed:
        if inside := next((n for n in numbers if entry.first <= n <= entry.last), None):
            notes.add("#/shed", f"number {inside} is sent and declared shed in one batch")


# ---------------------------------------------------------------- encode a batch


def encode(batch: Batch) -> bytes:
    """
    Write a batch: in columns where all instants are whole milliseconds apart, else as readings.

    decode(encode(batch)) gives the same batch. Raises ValueError for a value that is not finite.
    """
    document: dict[str, Any] = {"device": batch.device}
    if batch.stream is not None:
        document["stream"] = batch.stream
    if batch.units:
        document["units"] = dict(batch.units)
    if len(batch):
        document |= _as_columns(batch) or {"readings": list(_as_readings(batch))}
    if batch.shed:
        document["shed"] = [{"first": s.first, "last": s.last, "reason": s.reason} for s in batch.shed]
    if batch.opaque is not None:
        document["opaque"] = {
            "seq": batch.opaque.seq,
            "base64": base64.b64encode(batch.opaque.content).decode(),
        }
    if batch.gateway is not None:
        document["gateway"] = _report_document(batch.gateway)
    return json.dumps(document, separators=(",", ":"), allow_nan=False, ensure_ascii=False).encode()


def _as_columns(batch: Batch) -> dict[str, Any] | None:
    at_us = batch.at_us
    if batch.at_text or None in at_us:
        return None
    steps = [0, *(b - a for a, b in pairwise(at_us))]  # type: ignore[operator]
    if any(step % 1000 for step in steps):
        return None
    document: dict[str, Any] = {}
    if isinstance(batch.seq, range):
        document["first_seq"] = batch.seq[0]
    elif batch.seq is not None:
        document["seq"] = list(batch.seq)
    assert at_us[0] is not None
    document |= {"start": instant_text(at_us[0]), "step_ms": [step // 1000 for step in steps]}
    if batch.at_uncertainty_s is not None:
        given = batch.at_uncertainty_s
        document["at_uncertainty_s"] = list(given) if isinstance(given, Sequence) else given
    return document | {"columns": {name: list(column) for name, column in batch.columns.items()}}


def _as_readings(batch: Batch) -> Iterator[dict[str, Any]]:
    for index in range(len(batch)):
        reading = batch.as_sent(index)
        del reading["units"]  # declared once, on the batch
        yield reading


def _report_document(report: GatewayReport) -> dict[str, Any]:
    known = {key: getattr(report, key) for key in ("version", "built", "installation", "appended_through")}
    document = {key: value for key, value in known.items() if value is not None} | dict(report.extra)
    for key in ("boots", "events"):
        if entries := getattr(report, key):
            document[key] = [dict(entry) for entry in entries]
    return document


# ---------------------------------------------------------------- answers


@dataclass(frozen=True, kw_only=True, slots=True)
class QuarantineNote:
    """Readings first..last (numbers, or indexes where the batch had none) that are held, and why."""

    first: int
    last: int
    code: str
    detail: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """What the server says of a batch, once it is durable."""

    #: as in the batch; None where it had none
    stream: str | None = None
    #: every number 1..n is held or declared shed; None where the batch had no stream
    acknowledged_through: int | None = None
    stored: int = 0
    duplicates: int = 0
    gaps: tuple[tuple[int, int], ...] = ()
    quarantined: tuple[QuarantineNote, ...] = ()
    #: entries of `gaps` and `quarantined` beyond those listed
    gaps_more: int = 0
    quarantined_more: int = 0
    server_time_us: int


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamAtServer:
    """What the server holds of a stream."""

    stream: str
    device: str
    acknowledged_through: int
    #: the highest number seen
    highest: int
    gaps: tuple[tuple[int, int], ...] = ()
    gaps_more: int = 0
    server_time_us: int


def encode_answer(answer: Answer) -> bytes:
    """Write an answer. Lists are cut at `MAX_LISTED`; what is beyond is counted."""
    numbered = answer.stream is not None
    document: dict[str, Any] = {}
    if numbered:
        document |= {"stream": answer.stream, "acknowledged_through": answer.acknowledged_through}
    document |= {"stored": answer.stored, "duplicates": answer.duplicates}
    if numbered:
        document |= _listed("gaps", [list(gap) for gap in answer.gaps], answer.gaps_more)
    notes = [_note_document(note, "seq" if numbered else "index") for note in answer.quarantined]
    document |= _listed("quarantined", notes, answer.quarantined_more)
    document["server_time"] = instant_text(answer.server_time_us)
    return json.dumps(document, ensure_ascii=False).encode()


def encode_stream_state(state: StreamAtServer) -> bytes:
    """Write what the server holds of a stream."""
    document: dict[str, Any] = {"stream": state.stream, "device": state.device}
    document |= {"acknowledged_through": state.acknowledged_through, "highest": state.highest}
    document |= _listed("gaps", [list(gap) for gap in state.gaps], state.gaps_more)
    document["server_time"] = instant_text(state.server_time_us)
    return json.dumps(document).encode()


def _listed(key: str, entries: list[Any], more: int) -> dict[str, Any]:
    rest = more + max(0, len(entries) - MAX_LISTED)
    return {key: entries[:MAX_LISTED]} | ({f"{key}_more": rest} if rest else {})


def _note_document(note: QuarantineNote, key: str) -> dict[str, Any]:
    span = {key: note.first} if note.first == note.last else {key: note.first, f"last_{key}": note.last}
    return span | {"code": note.code, "detail": note.detail}


def decode_answer(body: bytes, *, stream: str | None, highest_sent: int | None) -> Answer:
    """
    Read an answer to a batch, and believe it only if it is one.

    stream, highest_sent: what was sent. Raises ValueError where the body is not our answer, echoes another
    stream, or acknowledges more than was ever sent: such an answer releases nothing.
    """
    document = _load_answer(body)
    if document.get("stream") != stream:
        raise ValueError(f"the answer speaks of stream {_shown(document.get('stream'))}, sent was {stream}")
    mark = document.get("acknowledged_through")
    if stream is not None and (type(mark) is not int or not 0 <= mark <= (highest_sent or 0)):
        raise ValueError(
            f"the answer acknowledges through {_shown(mark)}, the highest number sent is {highest_sent}"
        )
    key = "seq" if stream is not None else "index"
    return Answer(
        stream=stream,
        acknowledged_through=mark,
        stored=_count(document, "stored"),
        duplicates=_count(document, "duplicates"),
        gaps=_gaps(document),
        gaps_more=_count(document, "gaps_more", 0),
        quarantined=tuple(_read_notes(document, key)),
        quarantined_more=_count(document, "quarantined_more", 0),
        server_time_us=_server_time(document),
    )


def decode_stream_state(body: bytes, *, stream: str) -> StreamAtServer:
    """Read what the server holds of a stream. Raises ValueError where the body is not that."""
    document = _load_answer(body)
    if document.get("stream") != stream or not isinstance(document.get("device"), str):
        raise ValueError(f"the answer speaks of stream {_shown(document.get('stream'))}, asked was {stream}")
    return StreamAtServer(
        stream=stream,
        device=document["device"],
        acknowledged_through=_count(document, "acknowledged_through"),
        highest=_count(document, "highest"),
        gaps=_gaps(document),
        gaps_more=_count(document, "gaps_more", 0),
        server_time_us=_server_time(document),
    )


def _load_answer(body: bytes) -> dict[str, Any]:
    try:
        document = load_json(body)
    except BatchRefused as error:
        raise ValueError(f"the answer is not ours: {error}") from None
    if not isinstance(document, dict):
        raise ValueError(f"the answer is not ours: it is {_kind(document)}")
    return document


def _count(document: dict[str, Any], key: str, default: int | None = None) -> int:
    value = document.get(key, default)
    if type(value) is not int or value < 0:
        raise ValueError(f"the answer is not ours: {key} is {_shown(value)}")
    return value


def _gaps(document: dict[str, Any]) -> tuple[tuple[int, int], ...]:
    try:
        return tuple((int(first), int(last)) for first, last in document["gaps"])
    except (KeyError, TypeError, ValueError):
        if "stream" not in document:
            return ()
        raise ValueError("the answer is not ours: gaps is not a list of pairs") from None


def _read_notes(document: dict[str, Any], key: str) -> Iterable[QuarantineNote]:
    try:
        for note in document["quarantined"]:
            last = note.get(f"last_{key}", note[key])
            yield QuarantineNote(first=note[key], last=last, code=note["code"], detail=note["detail"])
    except (KeyError, TypeError, AttributeError):
        raise ValueError("the answer is not ours: quarantined is not a list of notes") from None


def _server_time(document: dict[str, Any]) -> int:
    value = document.get("server_time")
    if not isinstance(value, str):
        raise ValueError("the answer is not ours: it has no server_time")
    return parse_instant(value).us
