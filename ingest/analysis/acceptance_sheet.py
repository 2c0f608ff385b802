"""
Acceptance of an installation from stored readings, and the report to keep with the machine's papers.

Promises: the report states its time span, so that the same report can be made again.
Leaves to others: the checks (`ingest.restriction.verdict.installation`), who may see it
(`ingest.api.routes.acceptance`).
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, replace

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.spot_checks import Check
from cleanside.gateway.wire import instant_text
from cleanside.ingest import cautions
from cleanside.ingest.analysis.assessment import gauge_unit, terminal_at
from cleanside.ingest.analysis.newest_monitor import HOUR_US, fitted_last
from cleanside.ingest.analysis.summarising import COLUMNS, as_readings
from cleanside.ingest.restriction import Readings, Study
from cleanside.ingest.restriction.verdict.acceptance_forms import CHECK_FORMS, VERDICT_FORMS, result_text
from cleanside.ingest.restriction.verdict.installation import (
    EXPLAINED,
    CleanLevel,
    Surroundings,
    accept,
    verdict_of,
)
from cleanside.ingest.restriction.verdict.plain_forms import text_of
from cleanside.ingest.store import acceptance, fleet, newest, raw, streams
from cleanside.ingest.store.fleet import HousingRow, TerminalRow
from cleanside.ingest.store.reasons import doubts_time

LINE = 78  # characters (common practice: a line of a text)
UNDER_HEADING, UNDER_CHECK = 10, 14  # characters (arithmetic: as wide as what stands before the words)
WINDOW_US = 72 * HOUR_US  # the first days with power; a reading a second makes 260 000 of them (chosen)

CAUTIONS = cautions.words("acceptance")


@dataclass(frozen=True, kw_only=True)
class Report:
    """The report on one installation."""

    housing: HousingRow
    #: the monitor that was checked: the one fitted last; empty: none sits there
    devices: tuple[str, ...]
    #: monitors that sit there besides; no check goes by what they sent
    beside: tuple[str, ...]
    #: readings measured in [since, until) were checked [us]
    since_us: int
    until_us: int
    looked_us: int
    readings: int
    terminal: TerminalRow | None
    verdict: str
    checks: tuple[Check, ...]


def report(
    connection: sa.Connection,
    housing: HousingRow,
    *,
    since_us: int | None,
    now_us: int,
    study: Study | None = None,
    element_in_use: bool = False,
    worked_on: bool = False,
) -> Report:
    """
    Check the installation on a housing: of its monitors the one that was fitted last, alone.

    since_us : when it was fitted; None = when it was assigned, else its first reading. [us]
    study : what its readings show so far, to compare the element with; None = not known.
    element_in_use : no new or cleaned element went in since then. worked_on : somebody entered work on it.
    """
    fitted = fitted_last(connection, housing, now_us)
    since_us = since_us if since_us is not None else fitted.since_us
    until_us = min(since_us + WINDOW_US, now_us + HOUR_US)
    parts = [
        (device_id, part)
        for device_id in fitted.device_ids
        for part in raw.readings_between(connection, device_id, since_us, until_us, COLUMNS)
    ]
    stored = sum(len(part["at_us"]) for _, part in parts)
    readings = as_readings(parts) if stored else Readings(at_s=np.empty(0), restriction_pa=np.empty(0))
    terminal = terminal_at(fleet.terminals_of(connection, housing.id), now_us)
    around = _around(connection, housing, fitted.device_ids, terminal, stored, since_us)
    around = replace(around, element_in_use=element_in_use, worked_on=worked_on)
    if study is not None:
        around = replace(
            around,
            clean=clean_level_of(study),
            below_clean=study.is_below_clean,
            in_question=study.element_in_question,
            explained_by=explained_by(study),
        )
    checks = accept(readings, around)
    return Report(
        housing=housing,
        devices=() if fitted.newest is None else (fitted.newest.device,),
        beside=fitted.beside,
        since_us=since_us,
        until_us=until_us,
        looked_us=now_us,
        readings=stored,
        terminal=terminal,
        verdict=verdict_of(checks),
        checks=checks,
    )


def explained_by(study: Study) -> str | None:
    """The cause that explains checks that fail; None: none does, or dust may reach the engine besides."""
    if study.is_below_clean or study.element_in_question:
        return None
    return next((found.cause for found in study.suspicions if found.cause in EXPLAINED), None)


def clean_level_of(study: Study) -> CleanLevel | None:
    """What a clean element reads, as its own readings, its kind or the limit let expect; None: not known."""
    reference = study.reference
    if study.clean_pa is None or reference.of_idle_only:
        return None
    if not reference.by_speed or reference.reference_flow is None or reference.exponent is None:
        return CleanLevel(restriction_pa=study.clean_pa)
    return CleanLevel(
        restriction_pa=study.clean_pa, speed_rad_s=reference.reference_flow, exponent=reference.exponent
    )


def is_confirmed(connection: sa.Connection, housing_id: int, terminal: TerminalRow | None) -> bool:
    """True if a person confirmed the present limit: the same value in the same unit."""
    return terminal is not None and any(
        (given.value, given.unit) == (terminal.value, terminal.unit)
        for given in acceptance.confirmations_of(connection, housing_id)
    )


def _around(
    connection: sa.Connection,
    housing: HousingRow,
    device_ids: list[int],
    terminal: TerminalRow | None,
    held: int,
    since_us: int,
) -> Surroundings:
    heard = [s for device_id in device_ids for s in streams.of_device(connection, device_id)]
    boot = acceptance.boots_since(connection, device_ids, since_us)
    key_offs = acceptance.key_offs_since(connection, device_ids, since_us)
    quarantined = newest.quarantined_of(connection, device_ids)
    compared = acceptance.comparisons_since(connection, housing.id, since_us)
    return Surroundings(
        acknowledged=held,
        quarantined=quarantined is not None,
        time_doubted=quarantined is not None and any(doubts_time(r.code) for r in quarantined.reasons),
        missing=sum(_missing(connection, stream) for stream in heard),
        clock_uncertainty_s=acceptance.newest_uncertainty_s(connection, device_ids),
        anchor=boot.anchor,
        power_cycles=max(boot.boots - 1, key_offs, 0),
        terminal_pa=None if terminal is None else terminal.restriction_pa,
        terminal_as_read=None if terminal is None else f"{terminal.value:g} {terminal.unit}",
        terminal_confirmed=is_confirmed(connection, housing.id, terminal),
        delay_s=acceptance.newest_delay_s(connection, device_ids),
        by_hand={given.subject: given.value_si for given in compared},
        shown_by_hand={
            given.subject: (given.value, given.unit or "") for given in compared if given.value is not None
        },
    )


def _missing(connection: sa.Connection, stream: streams.Stream) -> int:
    return sum(last - first + 1 for first, last in streams.marks_of(connection, stream).gaps)


# ---------------------------------------------------------------- the report on paper


def as_text(found: Report) -> str:
    """The report for people, 78 columns, with the cautions that belong to it."""
    limit, unit = found.terminal, gauge_unit(found.terminal)
    lines = [
        f"Acceptance of the restriction monitor on {_called(found.housing)}, housing {found.housing.name}",
        f"Monitor:  {', '.join(found.devices) or 'none assigned'}",
        f"Readings: {found.readings} from {instant_text(found.since_us)} on",
        f"Limit:    {f'{limit.value:g} {limit.unit}' if limit else 'not entered'}",
        f"Looked at {instant_text(found.looked_us)} (UTC)",
        f"Result:   {result_text([check.verdict for check in found.checks])}",
        "",
    ]
    if found.beside:
        lines[2:2] = _beside(found.beside)
    for check in found.checks:
        lines.append(f"{VERDICT_FORMS[check.verdict]:<13} {CHECK_FORMS[check.check]}")
        lines += _indented(text_of(check.seen, unit))
        lines += _indented(f"Do: {text_of(check.next_step, unit)}") if check.next_step else []
    lines.append("")
    for caution in CAUTIONS:
        lines += textwrap.wrap(caution, LINE)
    lines += ["", "Technician: ____________________   Date: ____________"]
    return "\n".join(lines) + "\n"


def _beside(devices: tuple[str, ...]) -> list[str]:
    words = f"Beside it: {', '.join(devices)}. No check goes by what they sent."
    return textwrap.wrap(words, LINE, subsequent_indent=" " * UNDER_HEADING)


def _called(housing: HousingRow) -> str:
    name = housing.display_name
    return housing.machine if name is None else f"{name} ({housing.machine})"


def _indented(words: str) -> list[str]:
    indent = " " * UNDER_CHECK
    return textwrap.wrap(words, LINE, initial_indent=indent, subsequent_indent=indent)
