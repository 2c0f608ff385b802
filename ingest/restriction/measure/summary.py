"""
Input and stored form: columns of readings, and one summary per housing and UTC hour.

Strategy: the summaries of a housing are two tables of fixed width (hours, and the flow bins of all hours one
after the other), because a machine-year is 8 760 hours and 100 000 bins: as objects or JSON reading them
takes ten times as long as judging them. One hour is packed into two short strings of bytes for a database.
Promises: an hour passes through its packed form unchanged, to the last bit. Everything derived later (zero,
exponent, restriction at reference flow) follows from summaries alone.
Leaves to others: computing them (`hours`), and what the numbers mean (`reference`, `assess`).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from cleanside.ingest.restriction.measure.wrong_input import WrongInput

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Table = npt.NDArray[np.void]

T = TypeVar("T")

SUMMARY_VERSION = 4  # a version: what an hour's summary holds
#: a version each: 2 has bins without speed and load, 3 hours without `unanswered`: `recompute` makes them
#: again
READ_VERSIONS = (2, 3, SUMMARY_VERSION)
LOAD_SINCE, STOPS_SINCE = 3, 4  # a version each: bins have speed and load, hours what went unanswered
HOUR_S = 3600.0  # arithmetic
DAY_S = 86400.0  # arithmetic
MARKS = 4  # of earlier summaries that are known: between two looks at a housing hardly more are made (chosen)
STANDARD_K, STANDARD_PA = 288.15, 101325.0  # ISO 2533 sea level

#: a stored summary has the place of its kind: new kinds go to the end
EVIDENCE = ("none", "restriction", "supply_voltage", "engine_speed", "air_mass_flow")
#: a stored summary has the place of its kind: new kinds go to the end
FLOW_KINDS = ("none", "engine_speed", "speed_density", "air_mass_flow", "speed_load")
#: the same, worst first
FLOW_KINDS_RANKED = ("none", "engine_speed", "speed_load", "speed_density", "air_mass_flow")

_HOURS_BEFORE = np.dtype(
    [
        ("version", "u1"),
        ("evidence", "u1"),  # place in EVIDENCE
        ("flow_kind", "u1"),  # place in FLOW_KINDS
        ("thinned", "?"),
        ("last_running", "?"),
        ("readings", "<i4"),
        ("off_count", "<i4"),
        ("hour_s", "<i8"),
        ("first_s", "<f8"),
        ("last_s", "<f8"),
        ("latitude_deg", "<f8"),
        ("longitude_deg", "<f8"),
        ("seen_share", "<f4"),
        ("step_s", "<f4"),
        ("operating_s", "<f4"),
        ("high_flow", "<f4"),
        ("highest_pa", "<f4"),
        ("off_mean_pa", "<f4"),
        ("ambient_pressure_pa", "<f4"),
        ("temperature_k", "<f4"),
        ("altitude_m", "<f4"),
        ("last_supply_voltage_v", "<f4"),
        ("last_engine_speed_rad_s", "<f4"),
        ("devices_differ_pa", "<f4"),
    ]
)
#: One hour. Four bytes hold a pressure to 0.01 Pa, which no sensor does; NaN = not known.
HOUR_TABLE = np.dtype([*_HOURS_BEFORE.descr, ("unanswered_s", "<f4"), ("unanswered_pa", "<f4")])
_BINS_BEFORE = np.dtype(
    [("flow", "<f4"), ("readings", "<i4"), ("mean_pa", "<f4"), ("p90_pa", "<f4"), ("highest_pa", "<f4")]
)
#: One flow bin of an hour; NaN = not known.
BIN_TABLE = np.dtype([*_BINS_BEFORE.descr, ("speed_rad_s", "<f4"), ("load", "<f4")])


@dataclass(frozen=True, kw_only=True)
class Readings:
    """
    Columns of readings of one housing, any order; NaN = absent, None = the whole column is absent.

    at_s : float array, shape (n,), instants, seconds since 1970-01-01 UTC.
    device : a whole number for each device; only equality and order count.
    The others: shape (n,), SI units as in their names. `restriction_pa` may be absent where both
    `ambient_pressure_pa` and `intake_pressure_pa` (absolute) are there.
    """

    at_s: FloatArray
    restriction_pa: FloatArray | None = None
    ambient_pressure_pa: FloatArray | None = None
    intake_pressure_pa: FloatArray | None = None
    boost_pressure_pa: FloatArray | None = None
    engine_speed_rad_s: FloatArray | None = None
    engine_load_ratio: FloatArray | None = None
    air_mass_flow_kg_s: FloatArray | None = None
    air_temperature_k: FloatArray | None = None
    intake_temperature_k: FloatArray | None = None
    supply_voltage_v: FloatArray | None = None
    latitude_deg: FloatArray | None = None
    longitude_deg: FloatArray | None = None
    altitude_m: FloatArray | None = None
    device: FloatArray | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            column = getattr(self, field.name)
            if column is not None and np.shape(column) != np.shape(self.at_s):
                raise WrongInput(
                    "shape_differs", column=field.name, shape=np.shape(column), at_s=np.shape(self.at_s)
                )


class FlowBin(NamedTuple):
    """Restriction while the engine runs, in one narrow band of the flow proxy."""

    flow: float  # mean of the proxy in the band; kg/s or rad/s by the summary's flow_kind; 0 without a proxy
    readings: int
    mean_pa: float
    p90_pa: float
    highest_pa: float
    speed_rad_s: float | None = None  # means of engine speed and load in the band; None = not known
    load: float | None = None


@dataclass(frozen=True, kw_only=True)
class HourSummary:
    """What one UTC hour of one housing showed. None = not known from this hour's readings."""

    hour_s: int  # start of the hour, seconds since 1970-01-01 UTC
    readings: int
    first_s: float
    last_s: float
    seen_share: float  # of the hour, 0 to 1
    thinned: bool  # gaps inside the hour, more than its own pace explains
    step_s: float  # median time between readings; 0 if there is one reading only
    operating_s: float  # engine running, as far as seen
    evidence: str  # one of EVIDENCE: how "running" was decided for most readings
    flow_kind: str  # one of FLOW_KINDS
    bins: tuple[FlowBin, ...]  # running only, in order of flow
    highest_pa: float | None  # running
    #: sensor powered, engine off by speed or voltage; where neither is known, first readings after a stop
    off_count: int
    off_mean_pa: float | None
    ambient_pressure_pa: float | None  # means over the hour
    temperature_k: float | None
    altitude_m: float | None
    last_supply_voltage_v: float | None
    last_engine_speed_rad_s: float | None
    last_running: bool  # by the hour's last reading
    high_flow: float | None = None  # 95 % point of the proxy while running: finer than the bins
    latitude_deg: float | None = None  # of the hour's last reading that has a position
    longitude_deg: float | None = None
    devices_differ_pa: float | None = None  # median over pairs of readings of two devices, close in time
    #: into the hour: since then restriction did not follow the engine; inf: at last it did (`unanswered`) [s]
    unanswered_s: float | None = None
    unanswered_pa: float | None = None  # what it showed at high idle since then

    def as_record(self) -> dict[str, Any]:
        record: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        record["bins"] = [list(bin_) for bin_ in self.bins]
        return {"version": SUMMARY_VERSION, **record}

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> HourSummary:
        if record.get("version") not in READ_VERSIONS:
            raise WrongInput("summary_version", version=record.get("version"), known=SUMMARY_VERSION)
        values = {field.name: record[field.name] for field in fields(cls) if field.name in record}
        values["bins"] = tuple(FlowBin(*bin_) for bin_ in record["bins"])
        return cls(**values)


_DEVICE = struct.Struct("<q")  # the only device of an hour
_DEVICE_PART = struct.Struct("<qi")  # one of several, and how many bins it has; its hour and bins follow


class PackedHour(NamedTuple):
    """One hour as bytes, little end first: a row of HOUR_TABLE, and its rows of BIN_TABLE."""

    hour: bytes
    bins: bytes


class Summaries(Sequence[HourSummary]):
    """
    The summaries of one housing in time order: `hours`, shape (n,); `bins` of all hours in order, shape (m,).

    bin_count : how many of the bins belong to each hour, shape (n,).
    parts : of each hour, packed: which device saw it, or what each of several saw alone; empty = not known.
    As a sequence it gives `HourSummary`, for people and tests; the analysis reads the columns.
    """

    def __init__(
        self, hours: Table, bins: Table, bin_count: IntArray, parts: Sequence[bytes] | None = None
    ) -> None:
        self.hours = hours
        self.bins = bins
        self.bin_count = bin_count
        self.parts = [b""] * len(hours) if parts is None else list(parts)
        self._columns: dict[str, FloatArray] = {}
        self._bin_columns: dict[str, FloatArray] = {}
        self._derived: dict[str, Any] = {}
        self._handed_on: dict[str, Any] = {}
        #: no other summaries have it
        self.mark = object()
        #: mark of these, and of earlier ones of the housing from the newest on -> how many hours from the
        #: first are the same
        self._same_hours: dict[object, int] = {self.mark: len(hours)}

    @classmethod
    def of(cls, summaries: Sequence[HourSummary]) -> Summaries:
        """The same hours as tables, sorted by time."""
        if isinstance(summaries, Summaries):
            return summaries
        ordered = sorted(summaries, key=lambda summary: summary.hour_s)
        hours = np.array([_hour_row(summary) for summary in ordered], dtype=HOUR_TABLE)
        bins = np.array([_bin_row(b) for summary in ordered for b in summary.bins], dtype=BIN_TABLE)
        return cls(hours, bins, np.array([len(summary.bins) for summary in ordered], dtype=np.int64))

    @classmethod
    def unpacked(cls, packed: Sequence[PackedHour], parts: Sequence[bytes] | None = None) -> Summaries:
        """
        The inverse of `packed`, for hours in time order; those of the version before in today's form.

        Raises ValueError for another version.
        """
        hours_of, bin_bytes = zip(*packed, strict=True) if packed else ((), ())
        hours = _as_todays(hours_of)
        if hours is None:
            versions = [hour[0] for hour in hours_of if len(hour) == hour_bytes(hour[0])]
            if len(versions) < len(packed) or not set(versions) <= set(READ_VERSIONS):
                raise WrongInput("summaries_version", known=SUMMARY_VERSION)
            bin_bytes = tuple(map(_bins_in_todays_form, versions, bin_bytes))
            hours = np.frombuffer(b"".join(map(_hour_in_todays_form, hours_of)), dtype=HOUR_TABLE)
        bins = np.frombuffer(b"".join(bin_bytes), dtype=BIN_TABLE)
        lengths = np.fromiter(map(len, bin_bytes), dtype=np.int64, count=len(packed))
        return cls(hours, bins, lengths // BIN_TABLE.itemsize, parts)

    def packed(self) -> list[PackedHour]:
        """Each hour as bytes, in time order."""
        width = BIN_TABLE.itemsize
        hour_bytes, bin_bytes = self.hours.tobytes(), self.bins.tobytes()
        at = (self.bin_starts * width).tolist()
        return [
            PackedHour(
                hour_bytes[i * HOUR_TABLE.itemsize : (i + 1) * HOUR_TABLE.itemsize],
                bin_bytes[at[i] : at[i + 1]],
            )
            for i in range(len(self.hours))
        ]

    def patched(self, newer: Summaries, gone: Sequence[int] = ()) -> Summaries:
        """
        These summaries with the hours of `newer` in place of their own, and without those in `gone`.

        gone : starts of hours that have no readings any more. [s since 1970-01-01 UTC]
        """
        outdated = np.concatenate((newer.hours["hour_s"], np.array(gone, dtype=np.int64)))
        if len(outdated) == 0:
            return self
        # The hours before the first of them, usually nearly all, are only copied.
        first = int(np.searchsorted(self.hours["hour_s"], outdated.min()))
        rest = self.since(first)._merged(newer, outdated)
        patched = Summaries(
            _joined(self.hours[:first], rest.hours),
            _joined(self.bins[: self.bin_starts[first]], rest.bins),
            np.concatenate((self.bin_count[:first], rest.bin_count)),
            [*self.parts[:first], *rest.parts],
        )
        patched._begin_as(self, first)
        return patched.taking_over(self)

    def _begin_as(self, earlier: Summaries, hours: int) -> None:
        """So many hours from the first are those of earlier ones: their columns are taken over."""
        known = list(earlier._same_hours.items())[:MARKS]
        self._same_hours |= {mark: min(same, hours) for mark, same in known}
        bins = int(earlier.bin_starts[hours])
        self._columns = _begun_as(earlier._columns, self.hours, hours)
        self._bin_columns = _begun_as(earlier._bin_columns, self.bins, bins)

    def same_hours(self, mark: object) -> int:
        """How many hours from the first, bins included, are those of the ones with a `mark`; 0: not known."""
        return self._same_hours.get(mark, 0)

    def _merged(self, newer: Summaries, outdated: IntArray) -> Summaries:
        keep = ~np.isin(self.hours["hour_s"], outdated)
        hours = _joined(self.hours[keep], newer.hours)
        bins = _joined(self.bins[np.repeat(keep, self.bin_count)], newer.bins)
        counts = np.concatenate((self.bin_count[keep], newer.bin_count))
        order = np.argsort(hours["hour_s"], kind="stable")
        starts = np.concatenate(([0], np.cumsum(counts)))[:-1][order]
        rows = np.repeat(starts - np.concatenate(([0], np.cumsum(counts[order])))[:-1], counts[order])
        kept = [part for part, keeps in zip(self.parts, keep.tolist(), strict=True) if keeps]
        parts = [*kept, *newer.parts]
        return Summaries(
            hours[order], bins[rows + np.arange(len(bins))], counts[order], [parts[i] for i in order.tolist()]
        )

    def of_devices(self) -> dict[int, Summaries]:
        """
        What each device saw alone, by its number; empty where one device saw everything, or it is not known.
        """
        return self.once("devices", self._of_devices)

    def _of_devices(self) -> dict[int, Summaries]:
        if len({*self.parts} - {b""}) < 2:
            return {}
        by_device: dict[int, list[PackedHour]] = {}
        for mine, part in zip(self.packed(), self.parts, strict=True):
            for device, packed in _unpacked_devices(mine, part):
                by_device.setdefault(device, []).append(packed)
        return {device: Summaries.unpacked(by_device[device]) for device in sorted(by_device)}

    def once(self, name: str, derive: Callable[[], T]) -> T:
        """
        A value derived from these summaries alone, computed at the first call and stored under its name.
        """
        if name not in self._derived:
            self._derived[name] = derive()
        derived: T = self._derived[name]
        return derived

    def taking_over(self, earlier: Summaries) -> Summaries:
        """These summaries, with what is handed on by others of the same housing."""
        self._handed_on = earlier._handed_on
        return self

    def handed_on(self, name: str, make: Callable[[], T]) -> T:
        """
        What is handed on, under its name, to later summaries of the same housing.

        It may save time alone: whoever keeps something in it compares the whole input before using it.
        """
        found: T = self._handed_on.setdefault(name, make())
        return found

    def column(self, name: str) -> FloatArray:
        """A column of `hours` as 64-bit floats, shape (n,)."""
        if name not in self._columns:
            self._columns[name] = np.ascontiguousarray(self.hours[name], dtype=np.float64)
        return self._columns[name]

    def bin_column(self, name: str) -> FloatArray:
        """A column of `bins` as 64-bit floats, shape (m,)."""
        if name not in self._bin_columns:
            self._bin_columns[name] = np.ascontiguousarray(self.bins[name], dtype=np.float64)
        return self._bin_columns[name]

    @cached_property
    def bin_starts(self) -> IntArray:
        """Place of each hour's first bin, and the number of bins, shape (n + 1,)."""
        return np.concatenate(([0], np.cumsum(self.bin_count)))

    @cached_property
    def bin_hour(self) -> IntArray:
        """Place of the hour of each bin, shape (m,)."""
        return np.repeat(np.arange(len(self.hours)), self.bin_count)

    @property
    def working(self) -> BoolArray:
        """Hours in which the engine ran, shape (n,)."""
        return np.asarray(self.bin_count > 0)

    def tail(self, hours: int) -> Summaries:
        """The last so many hours."""
        return self.since(max(0, len(self.hours) - hours))

    def since(self, first: int) -> Summaries:
        """The hours from a place on; from 0 on these summaries themselves, with what was made of them."""
        if first == 0:
            return self
        bins = self.bins[self.bin_starts[first] :]
        return Summaries(self.hours[first:], bins, self.bin_count[first:], self.parts[first:])

    def __len__(self) -> int:
        return len(self.hours)

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            return [self[i] for i in range(*place.indices(len(self)))]
        row = range(len(self))[place]
        return _hour_summary(self.hours[row], self.bins[self.bin_starts[row] : self.bin_starts[row + 1]])

    def __iter__(self) -> Iterator[HourSummary]:
        return (self[i] for i in range(len(self)))

    def __eq__(self, other: object) -> bool:
        if isinstance(other, Summaries):
            same_shape = np.array_equal(self.bin_count, other.bin_count)
            return same_shape and self.packed() == other.packed()
        return isinstance(other, list) and list(self) == other

    __hash__ = None  # type: ignore[assignment]  # tables can change; no code puts them into a set


def packed_devices(devices: Sequence[tuple[int, PackedHour]]) -> bytes:
    """
    An hour's part of `Summaries.parts`.

    devices : the devices that saw the hour, each with what it saw alone. Of one alone its number is enough.
    """
    if len(devices) == 1:
        return _DEVICE.pack(devices[0][0])
    width = BIN_TABLE.itemsize
    return b"".join(
        _DEVICE_PART.pack(device, len(packed.bins) // width) + packed.hour + packed.bins
        for device, packed in sorted(devices)
    )


def _unpacked_devices(hour: PackedHour, part: bytes) -> Iterator[tuple[int, PackedHour]]:
    if len(part) == _DEVICE.size:
        yield _DEVICE.unpack(part)[0], hour
        return
    at = 0
    while at < len(part):
        device, bins = _DEVICE_PART.unpack_from(part, at)
        version = part[at + _DEVICE_PART.size]  # the first byte of its hour
        middle = at + _DEVICE_PART.size + hour_bytes(version)
        end = middle + bins * _bin_table(version).itemsize
        yield device, PackedHour(part[at + _DEVICE_PART.size : middle], part[middle:end])
        at = end


def _as_todays(hours_of: Sequence[bytes]) -> Table | None:
    """Hours, packed, where all are of the present version, as nearly always; None: they are not."""
    if set(map(len, hours_of)) - {HOUR_TABLE.itemsize}:
        return None
    hours = np.frombuffer(b"".join(hours_of), dtype=HOUR_TABLE)
    return hours if np.all(hours["version"] == SUMMARY_VERSION) else None


def hour_bytes(version: int) -> int:
    """How many bytes an hour of a version has, packed."""
    return (HOUR_TABLE if version >= STOPS_SINCE else _HOURS_BEFORE).itemsize


def _bin_table(version: int) -> np.dtype[np.void]:
    return BIN_TABLE if version >= LOAD_SINCE else _BINS_BEFORE


def _hour_in_todays_form(hour: bytes) -> bytes:
    """One hour, packed; what an earlier version did not keep is not known."""
    if hour[0] == SUMMARY_VERSION:
        return hour
    row = _widened(np.frombuffer(hour, dtype=_HOURS_BEFORE), HOUR_TABLE)
    row["version"] = SUMMARY_VERSION
    return row.tobytes()


def _bins_in_todays_form(version: int, bins: bytes) -> bytes:
    """The bins of one hour, packed; what an earlier version did not keep is not known."""
    kept = _bin_table(version)
    return bins if kept == BIN_TABLE else _widened(np.frombuffer(bins, dtype=kept), BIN_TABLE).tobytes()


def _widened(before: Table, to: np.dtype[np.void]) -> Table:
    """The same rows with the columns of today; what they did not have is NaN."""
    table = np.empty(len(before), dtype=to)
    for name in to.names or ():
        table[name] = before[name] if name in (before.dtype.names or ()) else np.nan
    return table


def _begun_as(columns: Mapping[str, FloatArray], table: Table, same: int) -> dict[str, FloatArray]:
    """Columns of a table as 64-bit floats, whose first rows are those of the columns given."""
    return {
        name: np.concatenate((column[:same], table[name][same:].astype(np.float64)))
        for name, column in list(columns.items())  # another thread may add one
    }


def _joined(first: Table, then: Table) -> Table:
    """One table after the other; as bytes, because field by field, numpy's way, takes 20 times as long."""
    return np.concatenate((first.view(np.uint8), then.view(np.uint8))).view(first.dtype)


_CODES: Mapping[str, tuple[str, ...]] = {"evidence": EVIDENCE, "flow_kind": FLOW_KINDS}
_NEVER_ABSENT = frozenset(
    ("hour_s", "readings", "first_s", "last_s", "seen_share", "step_s", "operating_s", "off_count")
)


def _hour_row(summary: HourSummary) -> tuple[Any, ...]:
    values = []
    for name in HOUR_TABLE.names or ():
        value = SUMMARY_VERSION if name == "version" else getattr(summary, name)
        if name in _CODES:
            value = _CODES[name].index(value)
        values.append(np.nan if value is None else value)
    return tuple(values)


def _hour_summary(row: np.void, bins: Table) -> HourSummary:
    values = {name: row[name].item() for name in HOUR_TABLE.names or () if name != "version"}
    for name, value in values.items():
        if name in _CODES:
            values[name] = _CODES[name][value]
        elif name not in _NEVER_ABSENT and value != value:  # NaN: not known
            values[name] = None
    return HourSummary(bins=tuple(map(_flow_bin, bins.tolist())), **values)


def _bin_row(flow_bin: FlowBin) -> tuple[float, ...]:
    return tuple(np.nan if value is None else value for value in flow_bin)


def _flow_bin(row: tuple[float, ...]) -> FlowBin:
    flow, readings, mean_pa, p90_pa, highest_pa, *work = row
    speed_rad_s, load = (None if np.isnan(value) else value for value in work)
    return FlowBin(flow, int(readings), mean_pa, p90_pa, highest_pa, speed_rad_s, load)
