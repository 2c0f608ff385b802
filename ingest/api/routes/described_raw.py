"""
How answers about raw readings and their quantities look, for the OpenAPI description.

Leaves to others: what the values are (`ingest.api.routes.raw`, `ingest.api.routes.quantities`).
"""

from __future__ import annotations

from typing import Any

from pydantic import Field, create_model

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.named_schema import named
from cleanside.ingest.api.routes.unit_schema import WORDS

UNITS = Field(
    description="the unit of each quantity in this answer; SI where no other was asked for",
    json_schema_extra=named("Units"),
)
NEXT = Field(description="`cursor` of the next page; null: this is the last")


class Step(Described):
    """One quantity in one step of time."""

    count: int = Field(description="how many readings of the step have it")
    mean: float
    min: float
    max: float


class _Numbered(Described):
    stream: str
    seq: int
    at: str = Field(
        description="when it was measured, UTC; a leap second, and digits beyond the microsecond, as sent",
        # A leap second is RFC 3339, and most languages cannot hold it: clients get the text then.
        json_schema_extra={"anyOf": [{"type": "string", "format": "date-time"}, {"type": "string"}]},
    )
    at_uncertainty_s: float | None = Field(
        None, description="how far the time may be off, either way [s]; left out: unknown"
    )


class _Bucket(Described):
    at: str = Field(description="start of the step, UTC")
    readings: int


def _of_quantities(kind: Any) -> dict[str, Any]:
    return {
        name: (kind | None, Field(None, description=f"{WORDS[name]} [in the unit that `units` names]"))
        for name in QUANTITIES
    }


ReadingShown = create_model(
    "ReadingShown",
    __base__=_Numbered,
    __doc__="A reading; quantities that it does not have are left out.",
    device=(
        str | None,
        Field(None, description="name of the device, where readings of a machine are asked for"),
    ),
    **_of_quantities(float),
)
BucketShown = create_model(
    "BucketShown",
    __base__=_Bucket,
    __doc__="A step of time that has readings; quantities without any are left out.",
    **_of_quantities(Step),
)


class RawReadings(Described):
    """Raw readings in order of time, or steps of time where a resolution was asked for."""

    device: str | None = None
    machine: str | None = None
    housing: str | None = None
    units: dict[str, str] = UNITS
    readings: list[ReadingShown] | None = None  # type: ignore[valid-type]  # made from the table of quantities
    resolution: str | None = Field(None, description="length of a step, in seconds", examples=["3600s"])
    buckets: list[BucketShown] | None = None  # type: ignore[valid-type]  # the same
    next: str | None = NEXT


class UnitShown(Described):
    """A unit, by its own name."""

    unit: str
    spellings: list[str] = Field(description="what else is read as this unit, to the letter")


class QuantityShown(Described):
    """What a reading may carry under one name."""

    quantity: str
    si_unit: str = Field(description="the unit it is kept in, and given in where no other was asked for")
    lowest: float = Field(description="lowest value, in `si_unit`; a reading below is quarantined")
    highest: float = Field(description="highest value, in `si_unit`; a reading above is quarantined")
    units: list[UnitShown]


class QuantitiesAnswer(Described):
    """Every quantity, in the order in which readings are shown."""

    quantities: list[QuantityShown]
