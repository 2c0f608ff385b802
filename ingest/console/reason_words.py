"""
Why a reading is quarantined, in the language of who looks, from the code and values of the reason.

Promises: a reason of an earlier release, which has a sentence alone, is not said here (None).
Leaves to others: the reasons (`ingest.store.reasons`), the words (`words/quarantine.*.toml`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from markupsafe import Markup

from cleanside.ingest.console.wording import Sayer, has_words


def reason_said(say: Sayer, reason: Mapping[str, Any]) -> Markup | None:
    """The sentence of a reason of `GET /v1/quarantine`; None: it has no values, or no words."""
    values = reason.get("values")
    if values is None:
        return None
    key = f"quarantine.reason.{_form(reason['code'], values)}"
    if not has_words(key):
        return None
    if "quantity" in values:
        values = {**values, "quantity": say.quantity(values["quantity"])}
    said = say(key, **{"likely": "", **values})
    more = [say(f"quarantine.reason.{name}", **values) for name in _more(reason["code"], values)]
    return Markup(" ").join([said, *more])


def _form(code: str, values: Mapping[str, Any]) -> str:
    """Which sentence of a code fits its values."""
    if code != "number_conflict":
        return code
    if values["other_is"] == "new_owner":
        return "conflict_new_owner"
    return "conflict_at" if "at" in values else "conflict_number"


def _more(code: str, values: Mapping[str, Any]) -> list[str]:
    """Further sentences that the values ask for."""
    if code == "unit_not_accepted" and values.get("likely"):
        return ["unit_likely"]
    if code == "time_before_floor" and values["may_be_history"]:
        return ["may_be_history"]
    if code == "number_conflict" and values["other_is"] in ("quarantined", "discarded"):
        return [f"other_{values['other_is']}"]
    return []
