"""
Checks: which readings are believed, and why the others are not.

Promises: pure. A check names what is wrong, with a repair where one is evident, and repairs nothing. The
codes are stable and each says what to do (`CODES`).
Leaves to others: doubts that need no clock (`gateway.wire`), which times are plausible
(`ingest.checking.plausible_time`), quarantining (`ingest.checking.doubts`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.gateway.wire import Batch, Doubt
from cleanside.ingest.checking.content import FloatArray
from cleanside.ingest.checking.plausible_time import Service, doubt_of_time, in_question

#: Every code for which a reading is quarantined, and what to do about it.
CODES: Mapping[str, str] = {
    "unit_not_accepted": "declare an accepted unit; amend the quarantined readings with their unit",
    "unit_undeclared": "declare the unit of each quantity; amend the quarantined readings with their unit",
    "quantity_unknown": (
        "update the server, which checks them again by itself, or amend the quarantined readings with "
        "leave_out, which stores the rest; send the quantity no more, or under its name"
    ),
    "time_not_rfc3339": "send RFC 3339 with an offset; amend the quarantined readings with their time",
    "time_without_offset": "send the offset from UTC; amend the quarantined readings with the machine's zone",
    "time_in_future": (
        "set the machine's clock right, and shift these readings back by what it is ahead; what is not "
        "corrected is stored with the time as sent once that time has come"
    ),
    "time_before_service": "check the machine's clock, or the date from which the device was in service",
    "time_before_floor": "check the machine's clock; for old records an admin sets its history_from",
    "time_outlier": "the clock was wrong for this reading; shift its time, discard it, or say time_is_right",
    "clock_unset": "the clock was never set; connect GPS or network time; shift the time, or time_is_right",
    "gps_week_rollover": "the receiver counts weeks wrongly; apply the suggested shift, update the receiver",
    "out_of_range": (
        "check the unit at the source, and amend the quarantined readings with the unit they were in; else "
        "check sensor and wiring, and discard the readings if they are wrong"
    ),
    "device_unknown": "register the device; its quarantined readings are then checked and stored",
    "number_conflict": (
        "another reading has this number; find out which of the two is right and discard the other, "
        "or, where two machines or an old disk image gave it, keep both (POST /v1/quarantine/both-right)"
    ),
    "set_aside": "a person set it aside; amend it, put it back, or discard it",
    "opaque": "the server refused to read this record; read it with its maker's help",
}


Doubts = dict[int, list[Doubt]]


def doubts_of_values(batch: Batch, si: Mapping[str, FloatArray]) -> Doubts:
    """Doubts that the reading alone shows: those of the decoder, and impossible values."""
    doubts: Doubts = {index: list(found) for index, found in batch.doubts.items()}
    _check_ranges(batch, si, doubts)
    return doubts


def out_of_range(si: FloatArray, columns: Sequence[str]) -> list[bool]:
    """
    Which of several batches have an impossible value.

    si : shape (g, k, n), NaN where absent. columns : of it, shape (k,).
    """
    lowest, highest = _bounds(tuple(columns))
    beyond = (si < lowest) | (si > highest)
    found: list[bool] = np.logical_or.reduce(beyond, axis=(1, 2)).tolist()
    return found


def instants_of(batch: Batch) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_] | None]:
    """Instants [us], shape (n,), 0 where not understood; and which are understood, None: all."""
    try:
        return np.array(batch.at_us, dtype=np.int64), None
    except TypeError:  # None among them: a time that was not understood
        understood = np.array([us is not None for us in batch.at_us])
        return np.array([us or 0 for us in batch.at_us], dtype=np.int64), understood


@lru_cache(maxsize=256)
def _bounds(columns: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest possible value of each column, shape (k, 1) each."""
    by_column = {quantity.column: quantity for quantity in QUANTITIES.values()}
    quantities = [by_column[column] for column in columns]
    bounds = np.array([(q.lowest, q.highest) for q in quantities], np.float64).reshape(-1, 2, 1)
    return bounds[:, 0], bounds[:, 1]


def _check_ranges(batch: Batch, si: Mapping[str, FloatArray], doubts: Doubts) -> None:
    if not si:
        return
    if out_of_range(np.array([[*si.values()]]), tuple(si)) == [False]:  # all at once: nearly always none is
        return
    for name in batch.columns:
        quantity = QUANTITIES.get(name)
        if quantity is None or (column := si.get(quantity.column)) is None:
            continue
        # NaN compares false: an absent value is never out of range.
        beyond = (column < quantity.lowest) | (column > quantity.highest)
        if not beyond.any():
            continue
        unit = batch.units[name]
        low, high = (from_si(bound, unit, name) for bound in (quantity.lowest, quantity.highest))
        about = {"quantity": name, "unit": unit, "lowest": low, "highest": high}
        for index in np.flatnonzero(beyond).tolist():
            sent = batch.columns[name][index]
            doubts.setdefault(index, []).append(Doubt("out_of_range", {**about, "value": sent}))


def add_doubts_of_times(
    batch: Batch,
    at_us: npt.NDArray[np.int64],
    known: npt.NDArray[np.bool_] | None,
    doubts: Doubts,
    *,
    now_us: int,
    service: Service,
) -> None:
    """Add doubts about instants (`instants_of`), by the server's clock and what it knows of the device."""
    odd = in_question(at_us, now_us=now_us, service=service)
    if odd is None:
        return
    if known is not None:
        odd &= known
    for index in np.flatnonzero(odd).tolist():
        # A gateway that states an uncertainty placed the time by an anchor, so its clock was set.
        built = service.built if batch.uncertainty_s(index) is None else None
        doubt = doubt_of_time(int(at_us[index]), now_us=now_us, service=service._replace(built=built))
        if doubt is not None:
            doubts.setdefault(index, []).append(doubt)
