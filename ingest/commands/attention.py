"""The command `attention`: everything that may need a person, on one screen."""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from typing import Any

from cleanside.gateway.units import counted
from cleanside.ingest import settings
from cleanside.ingest.analysis.concerns import Concern, ConcernGroup
from cleanside.ingest.api.routes import attention as attention_route
from cleanside.ingest.commands.command_database import reader
from cleanside.ingest.settings import Settings
from cleanside.ingest.writer import system_clock

MOST_LINES = 5  # of a group on the screen; --json has up to 64; chosen, so that six groups fit
#: group -> its title, and what its lines count
TITLES = {
    "without_key": ("without a valid key", "monitor"),
    "silent": ("nothing heard", "monitor"),
    "unseated": ("registered and sending, on no machine", "monitor"),
    "behind": ("numbers missing", "number"),
    "in_conflict": ("two readings under one number", "reading"),
    "in_quarantine": ("quarantined", "reading"),
    "clock_stepped": ("times that step back", "step"),
    "declared": ("declared by gateways", "event"),
    "versions": ("other versions", "gateway"),
}


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "attention", help="what needs a person, of all owners; exit code 1 if something does"
    )
    settings.add_flags(parser, "database")
    parser.add_argument("--json", action="store_true", help="output as JSON")
    parser.set_defaults(run=run_attention)


def run_attention(chosen: Settings, given: argparse.Namespace) -> int:
    """Print what needs a person. Exit code 1 if something does."""
    now_us = system_clock.now_us()
    with reader(chosen) as connection:
        groups = attention_route.look(connection, None, now_us)
    if given.json:
        print(json.dumps(attention_route.document_of(groups, now_us), indent=2))
    else:
        print(attention_text(groups, now_us))
    return 1 if any(group.needing for group in groups) else 0


def attention_text(groups: Sequence[ConcernGroup], now_us: int) -> str:
    """The groups as one screen for people; lines that need a person have an exclamation mark."""
    lines = []
    for group in groups:
        lines.append(_title(group))
        lines += [f"  {_line(line, now_us)}" for line in group.lines[:MOST_LINES]]
        if len(group.lines) > MOST_LINES:
            lines.append(f"    {len(group.lines) - MOST_LINES} more; --json shows them")
        steps = {
            (line.code, attention_route.next_step(line)): None for line in group.lines if line.needs_person
        }
        lines += [f"    {code}: {step}" for code, step in list(steps)[:MOST_LINES]]
    return "\n".join(lines)


def _title(group: ConcernGroup) -> str:
    title, noun = TITLES[group.group]
    if not group.lines:
        return f"{title}: none"
    many, needing = counted(group.counted, noun), counted(group.needing, "line")
    return f"{title}: {many} in {counted(len(group.lines), 'line')}, needing a person: {needing}"


def _line(line: Concern, now_us: int) -> str:
    parts = ["!" if line.needs_person else " ", line.device or line.owner]
    parts += [f"on {line.machine}"] if line.machine else []
    parts += [f"{line.code} x {line.count}"]
    parts += [f"({line.value})"] if line.value is not None else []
    parts += [_age(now_us - line.since_us)] if line.since_us is not None else []
    return " ".join(parts)


def _age(age_us: int) -> str:
    minutes = max(0, age_us) // 60_000_000
    if minutes < 120:
        return f"{minutes} min ago"
    if minutes < 48 * 60:
        return f"{minutes // 60} h ago"
    return f"{counted(minutes // 1440, 'day')} ago"
