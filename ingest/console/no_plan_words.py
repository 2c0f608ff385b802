"""Why there is no plan of visits, in the language of who looks, from the case and values of the refusal."""

from __future__ import annotations

from datetime import date
from typing import Any

from markupsafe import Markup

from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import Refused


def no_plan_said(say: Sayer, refused: Refused) -> Markup:
    """The sentence of a `NoVisitPlan`."""
    days = WrittenDays(say.formats)
    values: dict[str, Any] = dict(refused.values)
    for name in values.keys() & {"day", "last_day"}:
        written = values[name].isoformat() if isinstance(values[name], date) else str(values[name])
        values[name] = days.of(written)
    return say(f"visit_plan.none.{refused.case}", **values)
