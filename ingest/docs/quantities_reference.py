"""What a reading may carry, in which units and spellings and within which bounds (`gateway.units`)."""

from __future__ import annotations

from cleanside.gateway.units import QUANTITIES, Quantity, offered
from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table

MOST_SPELLINGS = 60  # of a unit on a line; more than there are


def quantities() -> str:
    """The page of quantities and units."""
    opening = (
        "A reading carries one or more of these. Its unit is declared for each quantity; nothing is guessed. "
        "`GET /v1/quantities` gives the same to a program. The bounds are what is physically possible on a "
        "diesel machine, chosen wide; a value beyond them is quarantined as `out_of_range`."
    )
    rows = [_row(quantity) for quantity in QUANTITIES.values()]
    heads = ("quantity", "units and UCUM codes", "from", "to", "stored in")
    return page("Quantities and units", opening, table(heads, rows), "## Units", _units())


def _row(quantity: Quantity) -> tuple[str, ...]:
    units = ", ".join(code(unit) for unit in offered(quantity.name))
    bounds = (f"{bound:g} {quantity.si_unit}" for bound in (quantity.lowest, quantity.highest))
    return f"{anchor(quantity.name)}{code(quantity.name)}", units, *map(plain, bounds), code(quantity.si_unit)


def _units() -> str:
    """Every unit once: its way to SI, and how it may be spelt too."""
    found: dict[str, tuple[str, ...]] = {}
    for quantity in QUANTITIES.values():
        for name in offered(quantity.name):
            unit = quantity.units[name]
            shift = f" + {unit.offset:.10g}" if unit.offset else ""
            spelt = [other for other, own in quantity.spellings.items() if own == name]
            formula = plain(f"value × {unit.factor:.10g}{shift} {quantity.si_unit}")
            found.setdefault(name, (code(name), formula, ", ".join(map(code, spelt[:MOST_SPELLINGS]))))
    return table(("unit", "in SI", "also accepted as"), found.values())
