"""What the shop knows of single machines and housings: papers, hour meter, gauge, planned changes."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.models import (
    gauge_readings,
    housing_papers,
    housings,
    machine_papers,
    machines,
    meter_readings,
    part_uses,
    planned_changes,
    sites,
)


class PlannedChange(NamedTuple):
    """The day on which a person means to change an element."""

    planned_on: str  # ISO 8601
    passes_us: int  # when that day is over where the person is
    planned_us: int
    who: str
    note: str
    kept_after_us: int | None = None  # the change that questioned it before a person kept it; None: none did


class MachinePapers(NamedTuple):
    """What the shop knows of a machine. None: not known, or none."""

    site: str | None = None
    crew: str | None = None
    service: str | None = None
    service_meter_h: float | None = None
    service_on: str | None = None
    laid_up_from: str | None = None
    laid_up_until: str | None = None


class HousingPapers(NamedTuple):
    """What the shop knows of a housing. None: not known, or none."""

    primary_part: str | None = None
    safety_part: str | None = None
    calendar_limit_days: int | None = None
    most_cleanings: int | None = None


class Papers(NamedTuple):
    """All that the shop knows of a housing and its machine."""

    machine: MachinePapers = MachinePapers()
    housing: HousingPapers = HousingPapers()
    planned: PlannedChange | None = None
    #: False: the machine works while it is laid up, as its readings show; the analysis says so
    lay_up_holds: bool = True


#: of a housing that nothing is known of
NO_PAPERS = Papers()


class MeterReading(NamedTuple):
    """The hour meter as a person read it."""

    entry_id: str
    at_us: int
    entered_us: int
    who: str
    meter_h: float
    #: what the machine had worked before this meter was fitted
    offset_h: float


class GaugeReading(NamedTuple):
    """Restriction as a person read it; value None: the indicator shows latched or not, and no number."""

    entry_id: str
    at_us: int
    entered_us: int
    who: str
    source: str  # hand_gauge or own_indicator
    value: float | None
    unit: str | None
    restriction_pa: float | None
    latched: bool | None


# Plain SQL, because each look at a fleet asks it. Left open is `here`: which housings.
_PAPERS = """
SELECT housings.id, sites.name, crews.name, service, service_meter_h, service_on, laid_up_from, laid_up_until,
    primary_part, safety_part, calendar_limit_days, most_cleanings,
    planned_on, passes_us, planned_us, who, note, kept_after_us
FROM housings JOIN machines ON machines.id = housings.machine_id
    LEFT JOIN machine_papers ON machine_papers.machine_id = machines.id
    LEFT JOIN sites ON sites.id = machine_papers.site_id
    LEFT JOIN crews ON crews.id = machine_papers.crew_id
    LEFT JOIN housing_papers ON housing_papers.housing_id = housings.id
    LEFT JOIN planned_changes ON planned_changes.housing_id = housings.id
WHERE {here}
"""
_MACHINE_FIELDS, _HOUSING_FIELDS = len(MachinePapers._fields), len(HousingPapers._fields)


def papers_where(connection: sa.Connection, here: str, which: tuple[Any, ...]) -> dict[int, Papers]:
    """Housing id -> its papers. here : a condition on housings and machines, with ? for `which`."""
    return {row[0]: _papers(row[1:]) for row in dialect.run(connection, _PAPERS.format(here=here), which)}


def papers_of_owner(connection: sa.Connection, owner_id: int) -> dict[int, Papers]:
    """Housing id -> its papers, of all housings of an owner."""
    return papers_where(connection, "machines.owner_id = ?", (owner_id,))


def _papers(row: Sequence[Any]) -> Papers:
    rest = row[_MACHINE_FIELDS:]
    planned = rest[_HOUSING_FIELDS:]
    return Papers(
        MachinePapers(*row[:_MACHINE_FIELDS]),
        HousingPapers(*rest[:_HOUSING_FIELDS]),
        None if planned[0] is None else PlannedChange(*planned),
    )


def site_of(connection: sa.Connection, machine_id: int) -> str | None:
    """The site of a machine; None: none is entered."""
    query = sa.select(sites.c.name).join_from(machine_papers, sites)
    return connection.scalar(query.where(machine_papers.c.machine_id == machine_id))


def sites_of_machines(connection: sa.Connection, owner_id: int) -> dict[int, str]:
    """Machine id -> its site, of the machines of an owner that have one."""
    query = sa.select(machine_papers.c.machine_id, sites.c.name).join_from(machine_papers, sites)
    rows = connection.execute(query.where(sites.c.owner_id == owner_id))
    return {row.machine_id: row.name for row in rows}


_SITES_OF_DEVICES = """
SELECT devices.name, sites.name FROM devices
    JOIN assignments ON assignments.device_id = devices.id
    JOIN housings ON housings.id = assignments.housing_id
    LEFT JOIN machine_papers ON machine_papers.machine_id = housings.machine_id
    LEFT JOIN sites ON sites.id = machine_papers.site_id
WHERE devices.owner_id = ?
"""


def devices_of_sites(connection: sa.Connection, owner_id: int, names: Collection[str]) -> frozenset[str]:
    """Names of the devices that never sat on a machine elsewhere than at these sites."""
    found: defaultdict[str, set[str | None]] = defaultdict(set)
    for device, site in dialect.run(connection, _SITES_OF_DEVICES, (owner_id,)):
        found[device].add(site)
    return frozenset(device for device, sat_at in found.items() if sat_at <= set(names))


def devices_sitting_at(connection: sa.Connection, owner_id: int, names: Collection[str]) -> frozenset[str]:
    """Names of the devices that sit on a machine at one of these sites now."""
    sitting = f"{_SITES_OF_DEVICES} AND assignments.until_us IS NULL"
    return frozenset(d for d, site in dialect.run(connection, sitting, (owner_id,)) if site in names)


def edit_machine_papers(connection: sa.Connection, machine_id: int, **changes: Any) -> None:
    """Set columns of a machine's papers: site_id, crew_id, and those of `MachinePapers` below them."""
    _put(connection, machine_papers, {"machine_id": machine_id}, changes)


def edit_housing_papers(connection: sa.Connection, housing_id: int, **changes: Any) -> None:
    """Set columns of a housing's papers, of `HousingPapers`."""
    _put(connection, housing_papers, {"housing_id": housing_id}, changes)


def put_planned(connection: sa.Connection, housing_id: int, planned: PlannedChange) -> None:
    """Set the day of a housing's change; the one before is replaced."""
    _put(connection, planned_changes, {"housing_id": housing_id}, planned._asdict())


def take_planned_back(connection: sa.Connection, housing_id: int) -> bool:
    """No day is meant any more. Returns False where none was."""
    gone = sa.delete(planned_changes).where(planned_changes.c.housing_id == housing_id)
    return connection.execute(gone).rowcount > 0


def _put(connection: sa.Connection, table: sa.Table, key: dict[str, int], values: dict[str, Any]) -> None:
    if values:
        statement = dialect.insert(connection, table).values(**key, **values)
        connection.execute(statement.on_conflict_do_update(index_elements=list(key), set_=values))


def forget_owner_of(connection: sa.Connection, machine_id: int) -> None:
    """The machine is another owner's now: its site, crew and planned days stay behind."""
    here = machine_papers.c.machine_id == machine_id
    connection.execute(sa.update(machine_papers).where(here).values(site_id=None, crew_id=None))
    own = sa.select(housings.c.id).where(housings.c.machine_id == machine_id)
    for table in (planned_changes, part_uses):  # the parts came from the stock of its former owner
        connection.execute(sa.delete(table).where(table.c.housing_id.in_(own)))


# ---------------------------------------------------------------- what people read at the machine


def put_meter(connection: sa.Connection, machine_id: int, given: MeterReading) -> MeterReading | None:
    """Keep a reading of the hour meter; the one that is there already with this id stays, and is given."""
    statement = dialect.insert(connection, meter_readings).values(machine_id=machine_id, **given._asdict())
    entered = statement.on_conflict_do_nothing().returning(meter_readings.c.at_us)
    if connection.execute(entered).first() is not None:
        return None
    return next(m for m in meters_of(connection, machine_id) if m.entry_id == given.entry_id)


def meters_of(connection: sa.Connection, machine_id: int) -> list[MeterReading]:
    """What was read of a machine's hour meter, in time order."""
    query = sa.select(*(meter_readings.c[f] for f in MeterReading._fields))
    query = query.where(meter_readings.c.machine_id == machine_id)
    ordered = query.order_by(meter_readings.c.at_us, meter_readings.c.id)
    return [MeterReading(*row) for row in connection.execute(ordered)]


def meters_of_owner(connection: sa.Connection, owner_id: int) -> dict[str, list[MeterReading]]:
    """Machine -> what was read of its hour meter, in time order."""
    query = sa.select(machines.c.name, *(meter_readings.c[f] for f in MeterReading._fields))
    query = query.join_from(meter_readings, machines).where(machines.c.owner_id == owner_id)
    found: defaultdict[str, list[MeterReading]] = defaultdict(list)
    for name, *row in connection.execute(query.order_by(meter_readings.c.at_us, meter_readings.c.id)):
        found[name].append(MeterReading(*row))
    return dict(found)


def put_gauge(connection: sa.Connection, housing_id: int, given: GaugeReading) -> GaugeReading | None:
    """Keep a reading of a gauge; the one that is there already with this id stays, and is given."""
    statement = dialect.insert(connection, gauge_readings).values(housing_id=housing_id, **given._asdict())
    entered = statement.on_conflict_do_nothing().returning(gauge_readings.c.at_us)
    if connection.execute(entered).first() is not None:
        return None
    return next(g for g in gauges_of(connection, housing_id) if g.entry_id == given.entry_id)


def gauges_of(connection: sa.Connection, housing_id: int) -> list[GaugeReading]:
    """What was read of a housing's gauges, in time order."""
    query = sa.select(*(gauge_readings.c[f] for f in GaugeReading._fields))
    query = query.where(gauge_readings.c.housing_id == housing_id)
    ordered = query.order_by(gauge_readings.c.at_us, gauge_readings.c.id)
    return [GaugeReading(*row) for row in connection.execute(ordered)]


def take_readings_back(connection: sa.Connection, housing: HousingRow, entry_id: str) -> bool:
    """Remove what was read of hour meter and gauge under an id. Returns False where nothing was."""
    of_meter = (meter_readings.c.machine_id == housing.machine_id) & (meter_readings.c.entry_id == entry_id)
    of_gauge = (gauge_readings.c.housing_id == housing.id) & (gauge_readings.c.entry_id == entry_id)
    gone = [
        sa.delete(meter_readings).where(of_meter),
        sa.delete(gauge_readings).where(of_gauge),
    ]
    return sum(connection.execute(statement).rowcount for statement in gone) > 0
