"""
Raw readings of a device or a housing: by time, by page, in steps of time, in a chosen unit, as a file.

Promises: one order, (instant, stream, number); a walk by cursor returns no reading twice. Values are in SI,
bit for bit as stored, unless the request names another unit. An answer that did not change is not sent again.
Leaves to others: the walk (`ingest.store.raw`), formats (`ingest.keeping.export`).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import Annotated, Any

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Query, Request, Response
from fastapi.responses import StreamingResponse
from pydantic import Field

from cleanside.gateway.units import QUANTITIES, accepts
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.api.routes.described_kinds import ReadingsFormat
from cleanside.ingest.api.routes.described_raw import RawReadings
from cleanside.ingest.api.routes.devices import device_for
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.named_schema import named
from cleanside.ingest.api.routes.names import STEP_PATTERN
from cleanside.ingest.api.routes.paging import Page, not_modified, paged, tag_of
from cleanside.ingest.api.routes.shared import At, Name, PathName, R, needs, problems, router_of
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.keeping import export
from cleanside.ingest.keeping.export import ColumnPiece, in_unit
from cleanside.ingest.owners.access import sees_device
from cleanside.ingest.store import fleet, raw
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.raw import DeviceSeat, Position, RawRows
from cleanside.ingest.store.time_steps import TimeSteps
from cleanside.ingest.writer.resources import Resources

router = router_of("readings")

PAGE, MOST = 1_000, 10_000  # readings or steps of one answer; 10 000 are about 1.5 MB
EXPORT_ROWS = 20_000  # readings of a piece of an export: what memory holds; chosen
FIRST_US = -62_135_596_800_000_000  # the year 1: whatever is stored can be read back
LAST_US = 253_402_300_800_000_000  # the year 10 000: nothing is measured later
MAX_RESOLUTION_S = 31 * 86_400
MICRO = 1_000_000

_MEDIA_TYPES: Mapping[str, ReadingsFormat] = {
    "application/json": "json",
    "text/csv": "csv",
    export.PARQUET_MEDIA_TYPE: "parquet",
}
PAGE_DESCRIPTION = (
    "In order of time; `since` is included, `until` is not. With `resolution` in steps of time: how many, "
    f"mean, lowest and highest. A page holds at most {MOST} of them. As CSV (RFC 4180) or Parquet by "
    "`format`, or by the header Accept: the whole span, without pages. Answers carry an ETag."
)

QuantityName = Annotated[Name, Field(json_schema_extra=named("Quantity"))]
Reader = Annotated[Key, Depends(needs("readings:read"))]
P = Annotated[Page, Depends(paged(PAGE, MOST))]


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedReadings:
    """What is asked for."""

    since_us: int
    until_us: int
    #: quantity -> unit; in the order of the table of quantities
    units: Mapping[str, str]
    #: None: each reading
    resolution_us: int | None
    format: ReadingsFormat

    @property
    def columns(self) -> list[str]:
        """Their columns in the store."""
        return [QUANTITIES[name].column for name in self.units]


def wanted_of(
    request: Request,
    since: Annotated[At | None, Query(description="from this instant on")] = None,
    until: Annotated[At | None, Query(description="before this instant")] = None,
    quantity: Annotated[
        list[QuantityName] | None,
        Query(max_length=64, description="only these; left out: all that there are"),
    ] = None,
    unit: Annotated[
        list[str] | None,
        Query(max_length=64, description="quantity:unit; left out: SI", examples=[["restriction:kPa"]]),
    ] = None,
    resolution: Annotated[
        str | None,
        Query(pattern=STEP_PATTERN, description="length of a step", examples=["60s", "3600s"]),
    ] = None,
    format: Annotated[ReadingsFormat | None, Query(description="left out: by the header Accept")] = None,
) -> WantedReadings:
    """The parameters of a request. Raises Refused (422) with everything that does not fit."""
    complaints: list[Complaint] = []
    names = _quantities(quantity, complaints)
    units = {name: QUANTITIES[name].si_unit for name in names} | _units(unit, names, complaints)
    step_s = int(resolution[:-1]) if resolution is not None else None
    if step_s is not None and step_s > MAX_RESOLUTION_S:
        about = {"resolution": resolution, "most_s": MAX_RESOLUTION_S}
        complaints.append(Complaint("query/resolution", "resolution_too_long", **about))
    format_wanted = format or _accepted(request)
    if format_wanted != "json" and request.query_params.keys() & {"limit", "cursor"}:
        complaints.append(Complaint("query/limit", "export_has_no_pages", format=format_wanted))
    if complaints:
        raise NotValid(*complaints)
    return WantedReadings(
        since_us=FIRST_US if since is None else parse_instant(since).us,
        until_us=LAST_US if until is None else min(LAST_US, parse_instant(until).us),
        units=units,
        resolution_us=None if step_s is None else step_s * MICRO,
        format=format_wanted,
    )


W = Annotated[WantedReadings, Depends(wanted_of)]


def _quantities(asked: Sequence[str] | None, complaints: list[Complaint]) -> list[str]:
    for name in asked or ():
        if name not in QUANTITIES:
            there = ", ".join(QUANTITIES)
            complaints.append(Complaint("query/quantity", "no_such_quantity", quantity=name, there=there))
    return [name for name in QUANTITIES if asked is None or name in asked]


def _units(asked: Sequence[str] | None, names: list[str], complaints: list[Complaint]) -> dict[str, str]:
    units: dict[str, str] = {}
    for text in asked or ():
        name, _, unit = text.partition(":")
        if name not in names or not accepts(unit, name):
            complaints.append(_no_unit(name, unit, names))
            continue
        units[name] = unit
    return units


def _no_unit(quantity: str, unit: str, names: list[str]) -> Complaint:
    if quantity not in names:
        there = ", ".join(names)
        return Complaint("query/unit", "quantity_not_asked_for", quantity=quantity[:64], there=there)
    there = ", ".join(QUANTITIES[quantity].units)
    return Complaint("query/unit", "unit_not_of_quantity", unit=unit[:64], quantity=quantity, there=there)


def _accepted(request: Request) -> ReadingsFormat:
    """The format that a client prefers (RFC 9110 section 12.5.1); else JSON."""
    best, liked = 0.0, "json"
    for entry in request.headers.get("accept", "").split(","):
        media_type, *parameters = (part.strip().lower() for part in entry.split(";"))
        weight = next((p[2:] for p in parameters if p.startswith("q=")), "1")
        value = float(weight) if re.fullmatch(r"[01](\.[0-9]{0,3})?", weight) else 0.0
        if media_type in _MEDIA_TYPES and value > best:
            best, liked = value, _MEDIA_TYPES[media_type]
    return liked  # type: ignore[return-value]


# ---------------------------------------------------------------- routes

_ANSWER: dict[int | str, dict[str, Any]] = {
    200: {
        "model": RawReadings,
        "content": {
            "text/csv": {"schema": {"type": "string"}},
            export.PARQUET_MEDIA_TYPE: {"schema": {"type": "string", "format": "binary"}},
        },
        "headers": {"ETag": {"schema": {"type": "string"}}},
    },
    304: {"description": "what the client has is current (If-None-Match)"},
}


@router.get(
    "/v1/devices/{device}/readings",
    summary="Readings of a device",
    description=PAGE_DESCRIPTION,
    responses={**_ANSWER, **problems(404)},
    response_class=Response,
)
def get_device_readings(
    request: Request, device: PathName, resources: R, key: Reader, wanted: W, page: P
) -> Response:
    """Raw readings of a device, on any housing."""
    with resources.reading_late() as connection:
        row = device_for(connection, key, device)
        seats = [DeviceSeat(row.id, wanted.since_us, wanted.until_us)]
        seats = [seat for seat in seats if seat.from_us < seat.until_us]
        asked = _look(connection, {"device": device}, seats, {row.id: device})
    return _answer(request, resources, asked, wanted, page)


@router.get(
    "/v1/machines/{machine}/readings",
    summary="Readings of a housing",
    description=f"Of the devices that sat on the housing, while they did. {PAGE_DESCRIPTION}",
    responses={**_ANSWER, **problems(404)},
    response_class=Response,
)
@example(query={"housing": "{housing}"})
def get_machine_readings(
    request: Request,
    machine: PathName,
    resources: R,
    key: Reader,
    wanted: W,
    page: P,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
) -> Response:
    """Raw readings of a housing, by time of measurement. A bound key sees those of its devices."""
    with resources.reading_late() as connection:
        housing_row = find_housing(connection, key, machine, housing)
        sat = [
            s
            for s in fleet.assignments_of_housing(connection, housing_row.id)
            if key.is_person or sees_device(key, s.device)  # a person sees all of a machine, or nothing
        ]
        seats = [
            DeviceSeat(
                s.device_id,
                wanted.since_us if s.from_us is None else max(wanted.since_us, s.from_us),
                wanted.until_us if s.until_us is None else min(wanted.until_us, s.until_us),
            )
            for s in sat
        ]
        seats = [seat for seat in seats if seat.from_us < seat.until_us]
        devices = {s.device_id: s.device for s in sat}
        asked = _look(connection, {"machine": machine, "housing": housing}, seats, devices)
    return _answer(request, resources, asked, wanted, page)


@dataclass(frozen=True, slots=True)
class _Asked:
    """The seats of the readings, and their names."""

    subject: Mapping[str, str]
    seats: Sequence[DeviceSeat]
    #: stream id -> device, stream
    streams: Mapping[int, tuple[str, str]]
    #: equal as long as the readings are
    state: Sequence[tuple[int, ...]]


def _look(
    connection: sa.Connection, subject: Mapping[str, str], seats: list[DeviceSeat], devices: Mapping[int, str]
) -> _Asked:
    streams = raw.stream_names(connection, seats)
    named = {stream_id: (devices[device_id], name) for stream_id, (device_id, name) in streams.items()}
    return _Asked(subject, seats, named, raw.state_of(connection, seats))


def _answer(
    request: Request, resources: Resources, asked: _Asked, wanted: WantedReadings, page: Page
) -> Response:
    """The answer with its entity tag, made from the state of the hours without reading readings."""
    question = [request.url.path, sorted(request.query_params.multi_items())]
    tag = tag_of(_release(), wanted.format, *question, list(asked.state))
    if (known := not_modified(request, tag)) is not None:
        return known
    headers = {"ETag": tag, "Vary": "Accept"}
    walk = _Walk(resources.reading_late, asked, wanted)
    if wanted.format == "json":
        document = walk.steps(page) if wanted.resolution_us else walk.readings(page)
        content = json.dumps(document, separators=(",", ":")).encode()
        return Response(content, media_type="application/json", headers=headers)
    name = "-".join(asked.subject.values()).replace(":", "_")
    headers["Content-Disposition"] = f'attachment; filename="{name}.{wanted.format}"'
    content_of, media_type = _WRITERS[wanted.format]
    return StreamingResponse(
        content_of(walk.pieces(), walk.nothing()), media_type=media_type, headers=headers
    )


def _release() -> str:
    try:
        return version("cleanside")
    except PackageNotFoundError:  # run from a source tree that was never installed
        return "0"


_WRITERS = {
    "csv": (export.csv_of, export.CSV_MEDIA_TYPE),
    "parquet": (export.parquet_of, export.PARQUET_MEDIA_TYPE),
}


class _Walk:
    """The requested readings in the requested form."""

    def __init__(self, reading: raw.OpenReader, asked: _Asked, wanted: WantedReadings) -> None:
        self._reading = reading
        self._asked = asked
        self._wanted = wanted

    # ------------------------------------------------------------ JSON

    def readings(self, page: Page) -> dict[str, Any]:
        """A page of readings."""
        position = page.after(int, int, int)
        after = None if position is None else Position(*position)
        parts: list[RawRows] = []
        for piece in self._pieces(page.limit + 1, after):
            parts.append(piece)
            if sum(map(len, parts)) > page.limit:
                break
        rows = raw.joined(parts, self._wanted.columns)
        more = len(rows) > page.limit
        rows = rows.first(page.limit)
        last = (int(rows.at_us[-1]), int(rows.stream_id[-1]), int(rows.seq[-1])) if more else None
        units = _present(self._wanted.units, rows)
        return {
            **self._asked.subject,
            "units": units,
            "readings": self._shown(rows, units),
            "next": None if last is None else page.cursor(last),
        }

    def _pieces(self, rows_at_once: int, after: Position | None = None) -> Iterator[RawRows]:
        asked, columns = self._asked, self._wanted.columns
        for rows in raw.walk(self._reading, asked.seats, columns, rows_at_once=rows_at_once, after=after):
            # A stream may have been opened since the names were read: it is behind the position.
            yield rows.of_streams(asked.streams)

    def _shown(self, rows: RawRows, units: Mapping[str, str]) -> list[dict[str, Any]]:
        shown: list[dict[str, Any]] = []
        numbers = zip(rows.stream_id.tolist(), rows.seq.tolist(), export.texts_of(rows), strict=True)
        for stream_id, seq, at in numbers:
            device, stream = self._asked.streams[stream_id]
            reading: dict[str, Any] = {} if "device" in self._asked.subject else {"device": device}
            shown.append(reading | {"stream": stream, "seq": seq, "at": at})
        _put(shown, "at_uncertainty_s", rows.at_uncertainty_s.tolist())
        for name, unit in units.items():
            _put(shown, name, in_unit(rows.values[QUANTITIES[name].column], unit, name).tolist())
        return shown

    def steps(self, page: Page) -> dict[str, Any]:
        """A page of steps of time."""
        (from_us,) = page.after(int) or (0,)
        walked, wanted = self._steps_from(from_us, page.limit), self._wanted
        values = walked.buckets.values
        return {
            **self._asked.subject,
            "resolution": f"{(wanted.resolution_us or 0) // MICRO}s",
            "units": {n: u for n, u in wanted.units.items() if values[QUANTITIES[n].column].count.any()},
            "buckets": _steps_shown(walked.buckets, wanted),
            "next": None if walked.next_us is None else page.cursor((walked.next_us,)),
        }

    def _steps_from(self, from_us: int, limit: int) -> raw.Walked:
        wanted = self._wanted
        assert wanted.resolution_us is not None
        later = [seat._replace(from_us=max(seat.from_us, from_us)) for seat in self._asked.seats]
        seats = [seat for seat in later if seat.from_us < seat.until_us]
        step_us = wanted.resolution_us
        return raw.buckets(self._reading, seats, wanted.columns, resolution_us=step_us, limit=limit)

    # ------------------------------------------------------------ files

    def pieces(self) -> Iterator[ColumnPiece]:
        """The whole span, piece by piece."""
        wanted = self._wanted
        if wanted.resolution_us is None:
            for rows in self._pieces(EXPORT_ROWS):
                yield export.columns_of_rows(rows, wanted.units, self._asked.streams)
            return
        from_us: int | None = 0
        while from_us is not None:
            walked = self._steps_from(from_us, MOST)
            yield export.columns_of_buckets(walked.buckets, wanted.units, wanted.resolution_us)
            from_us = walked.next_us

    def nothing(self) -> ColumnPiece:
        """The columns without rows."""
        wanted = self._wanted
        if wanted.resolution_us is None:
            none = raw.joined([], wanted.columns)
            return export.columns_of_rows(none, wanted.units, self._asked.streams)
        return export.columns_of_buckets(raw.no_buckets(wanted.columns), wanted.units, wanted.resolution_us)


def _present(units: Mapping[str, str], rows: RawRows) -> dict[str, str]:
    """The units of those quantities that any of the rows has."""
    values = rows.values
    return {n: unit for n, unit in units.items() if not np.isnan(values[QUANTITIES[n].column]).all()}


def _put(shown: list[dict[str, Any]], name: str, values: list[float]) -> None:
    for entry, value in zip(shown, values, strict=True):
        if value == value:  # NaN is not equal to itself: the reading has no value
            entry[name] = value


def _steps_shown(buckets: TimeSteps, wanted: WantedReadings) -> list[dict[str, Any]]:
    assert wanted.resolution_us is not None
    shown: list[dict[str, Any]] = [
        {"at": instant_text(step * wanted.resolution_us), "readings": many}
        for step, many in zip(buckets.step.tolist(), buckets.readings.tolist(), strict=True)
    ]
    for name, unit in wanted.units.items():
        values = buckets.values[QUANTITIES[name].column]
        columns = [in_unit(v, unit, name).tolist() for v in (values.mean, values.lowest, values.highest)]
        for entry, count, mean, low, high in zip(shown, values.count.tolist(), *columns, strict=True):
            if count:
                entry[name] = {"count": count, "mean": mean, "min": low, "max": high}
    return shown
