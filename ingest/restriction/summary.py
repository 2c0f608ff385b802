"""
What goes in and what is kept: columns of readings, and one summary per housing and UTC hour.

Promises: a summary goes through JSON unharmed, with its version. Everything derived later (zero, exponent,
restriction at reference flow) follows from summaries alone.
Leaves to others: computing them (`hours`), and what the numbers mean (`reference`, `assess`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

SUMMARY_VERSION = 1
HOUR_S = 3600.0
STANDARD_K, STANDARD_PA = 288.15, 101325.0  # ISO 2533 sea level

EVIDENCE = ("none", "restriction", "supply_voltage", "engine_speed")
FLOW_KINDS = ("none", "engine_speed", "speed_density", "air_mass_flow")


@dataclass(frozen=True, kw_only=True)
class Readings:
    """
    Columns of readings of one housing, any order; NaN = absent, None = the whole column is absent.

    at_s : float array, shape (n,), instants, seconds since 1970-01-01 UTC.
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
    altitude_m: FloatArray | None = None

    def __post_init__(self) -> None:
        for field in fields(self):
            column = getattr(self, field.name)
            if column is not None and np.shape(column) != np.shape(self.at_s):
                raise ValueError(
                    f"{field.name}: shape {np.shape(column)} differs from at_s {np.shape(self.at_s)}; "
                    "send one value per reading, NaN where absent"
                )


class FlowBin(NamedTuple):
    """Restriction while the engine runs, in one narrow band of the flow proxy."""

    flow: float  # mean of the proxy in the band; kg/s or rad/s by the summary's flow_kind; 0 without a proxy
    readings: int
    mean_pa: float
    p90_pa: float
    highest_pa: float


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
    off_count: int  # engine known to be off (by speed or voltage), sensor powered
    off_mean_pa: float | None
    ambient_pressure_pa: float | None  # means over the hour
    temperature_k: float | None
    altitude_m: float | None
    last_supply_voltage_v: float | None
    last_engine_speed_rad_s: float | None
    last_running: bool  # by the hour's last reading

    def as_record(self) -> dict[str, Any]:
        """A plain dict for JSON, with its version."""
        record: dict[str, Any] = {field.name: getattr(self, field.name) for field in fields(self)}
        record["bins"] = [list(bin_) for bin_ in self.bins]
        return {"version": SUMMARY_VERSION, **record}

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> HourSummary:
        """The inverse of `as_record`. Raises ValueError for a version this code does not know."""
        if record.get("version") != SUMMARY_VERSION:
            raise ValueError(
                f"hour summary version {record.get('version')!r}: this code reads {SUMMARY_VERSION}; "
                "compute the summary again from its readings"
            )
        values = {field.name: record[field.name] for field in fields(cls)}
        values["bins"] = tuple(FlowBin(*bin_) for bin_ in record["bins"])
        return cls(**values)
