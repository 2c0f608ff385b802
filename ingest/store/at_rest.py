"""
Readings at rest: the shapes in which `ingest.store.stored` takes and gives them.

Leaves to others: where readings are stored, and every statement (`ingest.store.stored_rows`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: name -> values of the same readings, shape (n,) each. `seq` [number], `at_us` and `received_us` [us since
#: 1970] are int64; `at_uncertainty_s` and the quantity columns [SI] are float64, NaN where absent
Arrays = dict[str, npt.NDArray[Any]]
#: column -> values of the same readings in SI, with `at_us` as floats; a column that no reading has is left
#: out. A float holds these microseconds exactly: 2^53 of them are 285 years
HourColumns = dict[str, FloatArray]
#: a reading with every column of the table `readings`; None where it has no value
StoredReadingRow = dict[str, Any]

QUANTITY_COLUMNS = frozenset(quantity.column for quantity in QUANTITIES.values())
WHOLE = frozenset({"seq", "at_us", "received_us"})  # never absent; exact as float64 too, below 2^53
COLUMNS = WHOLE | QUANTITY_COLUMNS | {"at_uncertainty_s"}
HIGHEST = 2**63 - 1  # no stream has a higher number
ALWAYS = (-(2**63), 2**63 - 1)  # a span of time that has every reading


class StoredTime(NamedTuple):
    """The number of a stored reading, and its time."""

    seq: int
    at_us: int
    #: half width [s]; None: unknown
    at_uncertainty_s: float | None


class NewReadings(NamedTuple):
    """Readings to store, in arrays of one length."""

    seq: IntArray
    at_us: IntArray
    #: NaN: unknown
    at_uncertainty_s: FloatArray
    content_hash: IntArray
    #: column name -> values in SI, NaN: absent
    values: Mapping[str, FloatArray]
    unit_set_id: int
    received_us: int

    def chosen(self, which: IntArray) -> NewReadings:
        """Those at these places."""
        return self._replace(
            seq=self.seq[which],
            at_us=self.at_us[which],
            at_uncertainty_s=self.at_uncertainty_s[which],
            content_hash=self.content_hash[which],
            values={name: column[which] for name, column in self.values.items()},
        )


def is_absent(column: FloatArray) -> bool:
    """True where no reading has a value in that column, shape (n,), n >= 1."""
    return bool(np.isnan(column[0])) and bool(np.isnan(column).all())
