"""
Summaries and studies of housings in this process's memory, so that a page requested twice, or a fleet of
thousands, is computed once.

Promises: never stale. Summaries have the revision of their housing, and only newer ones are read again; the
key of a study is its whole input.
Leaves to others: the study (`ingest.restriction`), its input (`ingest.analysis.assessment`).
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

import sqlalchemy as sa

from cleanside.ingest.restriction import PackedHour, Study, Summaries
from cleanside.ingest.store import hours
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.hours import Kept

T = TypeVar("T")

# Measured (tests/benchmark/bench_housing_memory.py): of a machine-year 2 MB of hours, and 13 MB with what
# judging works out of them; a study 36 kB.
MAX_SUMMARIES = 200  # housings; chosen
MAX_STUDIES = 100_000  # chosen
STUDIES_EACH = 2  # of the snapshot in use, and of the next before its first use; chosen


class Memory:
    """Summaries and studies of housings, safe between threads."""

    def __init__(self) -> None:
        self._summaries: OrderedDict[int, tuple[int, Summaries]] = OrderedDict()
        self._studies: OrderedDict[int, tuple[tuple[Hashable, Study], ...]] = OrderedDict()
        self._beside: OrderedDict[int, tuple[Study, dict[Hashable, Any]]] = OrderedDict()
        self._because: dict[int, tuple[int, str | None]] = {}
        self._lock = threading.Lock()

    def summaries(self, connection: sa.Connection, housing: HousingRow) -> Summaries:
        """
        The summaries of a housing as they are at `housing.revision`, which `connection` must still see.
        """
        with self._lock:
            revision, remembered = self._summaries.get(housing.id, (-1, None))
        if remembered is None or revision > housing.revision:  # a reader that began earlier sees older rows
            summaries = summaries_of(connection, housing.id)
        elif revision == housing.revision:
            summaries = remembered
        else:
            summaries = _with(remembered, hours.summaries_since(connection, housing.id, revision))
        if remembered is None or revision <= housing.revision:
            with self._lock:
                _keep(self._summaries, housing.id, (housing.revision, summaries), MAX_SUMMARIES)
        return summaries

    def study(self, housing_id: int, basis: Hashable, make: Callable[[], Study]) -> Study:
        """
        The study of a housing from this input, made now if it is not in memory.

        The last `STUDIES_EACH` are kept.
        """
        with self._lock:
            remembered = self._studies.get(housing_id, ())
        for known, study in remembered:
            if known == basis:
                return study
        study = make()
        with self._lock:
            last = self._studies.get(housing_id, ())[: STUDIES_EACH - 1]
            most = MAX_STUDIES // STUDIES_EACH
            _keep(self._studies, housing_id, ((basis, study), *last), most)
        return study

    def beside(self, housing_id: int, study: Study, key: Hashable, make: Callable[[], T]) -> T:
        """
        What follows from a study, the summaries behind it and a key alone, made once for this study.

        One key of each kind: of an earlier one nothing is kept.
        """
        with self._lock:
            of_study, made = self._beside.get(housing_id, (None, {}))
        if of_study is study and key in made:
            found: T = made[key]
            return found
        found = make()
        with self._lock:
            _keep(self._beside, housing_id, (study, {key: found}), MAX_STUDIES)
        return found

    def because(self, stream_id: int, heard_us: int, ask: Callable[[], str | None]) -> str | None:
        """Why a stream sends nothing, by its events; read once for each time of receipt."""
        remembered = self._because.get(stream_id)
        if remembered is None or remembered[0] != heard_us:
            remembered = (heard_us, ask())
            self._because[stream_id] = remembered
        return remembered[1]


def _keep(kept: OrderedDict[int, T], key: int, value: T, most: int) -> None:
    kept[key] = value
    kept.move_to_end(key)
    if len(kept) > most:
        kept.popitem(last=False)


def summaries_of(connection: sa.Connection, housing_id: int) -> Summaries:
    """All summaries of a housing, from the database."""
    return _unpacked(hours.every_summary(connection, housing_id))


def _with(known: Summaries, written: list[Kept]) -> Summaries:
    gone = [kept.hour * 3600 for kept in written if kept.record is None]
    return known.patched(_unpacked(written), gone)


def _unpacked(written: list[Kept]) -> Summaries:
    packed = [
        (PackedHour(kept.record, kept.bins), kept.devices or b"")
        for kept in written
        if kept.record is not None and kept.bins is not None
    ]
    return Summaries.unpacked([hour for hour, _ in packed], [devices for _, devices in packed])
