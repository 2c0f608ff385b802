"""
One machine that is not in the fleet yet: the form on the page Shop, and who is led to it from where it lacks.

Promises: a name that is there already is refused, never added to.
Leaves to others: many at once (`POST /v1/machines.csv`), its papers, its monitor (`monitors_page`).
"""

from __future__ import annotations

from urllib.parse import urlencode

from starlette.datastructures import FormData

from cleanside.ingest.api.routes.machines import NewMachine, get_machine, post_machine
from cleanside.ingest.api.routes.papers import PapersEdit, patch_papers
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.console.forms import FormReader, trimmed_field
from cleanside.ingest.console.rendering import may
from cleanside.ingest.errors import NotFound, Refused
from cleanside.ingest.store.keys import Key

FORM = "new-machine"


def may_add(key: Key | None) -> bool:
    """Who brings spreadsheets of machines: the shop, for all sites."""
    return may(key, "shop:write") and key is not None and not key.sites


def form_address(machine: str) -> str:
    """The form, with the name filled in."""
    return f"/shop?{urlencode({'machine': machine})}#{FORM}"


def keep_new_machine(fields: FormData, resources: R, key: Key) -> None:
    """Add the machine of a form. Raises WrongFields, Refused, and then added nothing."""
    if not may_add(key):
        raise Refused("machine_of_all_sites", status=403, code="site_not_yours")
    reader = FormReader()
    limit, unit = reader.number(fields, "limit"), trimmed_field(fields, "limit_unit")
    terminal = None if limit is None else {"value": limit, "unit": unit}
    given = {
        "machine": trimmed_field(fields, "machine"),
        "display_name": trimmed_field(fields, "machine_called") or None,
        "kind": trimmed_field(fields, "machine_kind") or None,
        "housings": [{"housing": "main", "terminal_restriction": terminal}],
    }
    body = reader.body(lambda: NewMachine.model_validate(given))
    site = trimmed_field(fields, "machine_site") or None
    if site is not None and all(one["site"] != site for one in get_shop(resources, key)["sites"]):
        raise NotFound("site", site)
    _refuse_known(body.machine, resources, key)
    post_machine(body, resources, key)
    patch_papers(body.machine, PapersEdit(site=site), resources, key)


def _refuse_known(machine: str, resources: R, key: Key) -> None:
    try:
        get_machine(machine, resources, key)
    except NotFound:
        return
    raise Refused("machine_name_taken", status=409, code="name_taken", name=machine)
