"""GET /v1/quantities: what a reading may carry, in which units, and within which bounds."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Depends

from cleanside.gateway.units import QUANTITIES, Quantity, offered
from cleanside.ingest.api.routes.described_raw import QuantitiesAnswer
from cleanside.ingest.api.routes.shared import needs, router_of
from cleanside.ingest.store.keys import Key

router = router_of("readings")


@router.get(
    "/v1/quantities",
    summary="What a reading may carry, and in which units",
    description=(
        "The same for every owner, and for as long as the server runs one release. What is not listed here "
        "is quarantined, as is a value beyond the bounds."
    ),
    response_model=QuantitiesAnswer,
)
def get_quantities(key: Annotated[Key, Depends(needs("quantities:read"))]) -> dict[str, Any]:
    """Every quantity with its units, their spellings and its bounds."""
    del key  # only checked: the table belongs to no single owner
    return {"quantities": [_quantity(quantity) for quantity in QUANTITIES.values()]}


def _quantity(quantity: Quantity) -> dict[str, Any]:
    return {
        "quantity": quantity.name,
        "si_unit": quantity.si_unit,
        "lowest": quantity.lowest,
        "highest": quantity.highest,
        "units": [
            {"unit": unit, "spellings": [text for text, own in quantity.spellings.items() if own == unit]}
            for unit in offered(quantity.name)
        ],
    }
