"""
The work list as a file to take away: one row a change, then what should be on the list and is not, and why.

Promises: pure; its sentences are those of the page.
Leaves to others: the file itself (`take_away`), the list (`ingest.api.routes.work`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fastapi import Response

from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.take_away import TakenAway, dates, percent, plain
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.console.work_sentences import WorkSentences

WORK_FILE = TakenAway(
    file="work-list",
    words="work.csv",
    columns=(
        *("listed", "day", "site", "crew", "machine", "display_name", "housing", "kind", "state", "used"),
        *("early", "likely", "late", "why", "chance", "hours_lost", "planned_day", "planned_by", "note"),
        *("part", "part_from", "safety_part", "safety_changes", "safety_hours", "meter", "question"),
    ),
    numbers=frozenset({"used", "chance", "hours_lost", "safety_changes", "safety_hours", "meter"}),
)
NOTHING = dict.fromkeys(WORK_FILE.columns, "")


def work_file(
    say: Sayer,
    work: Mapping[str, Any],
    separator: str,
    *,
    name_of: Callable[[str], str],
    sites: Mapping[str, str],
) -> Response:
    """The file of a list, as `get_work` returns one. name_of, sites : as `WorkSentences` takes them."""
    sentences = WorkSentences(say.plain, on=WrittenDays(say.formats).of, name_of=name_of, sites=sites)
    rows = [*_jobs(say, sentences, work), *_later(say, sentences, work)]
    named = [row | {"planned_by": name_of(row["planned_by"]) if row["planned_by"] else ""} for row in rows]
    return WORK_FILE.answer(say, named, separator)


def _jobs(say: Sayer, sentences: WorkSentences, work: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    for job in work["jobs"]:
        yield {
            **_place(say, job),
            "listed": say.plain("work.csv_listed.yes"),
            "crew": job["crew"] or "",
            "kind": job["kind"] or "",
            "used": plain(job["share_used_percent"], 0),
            "why": " ".join(sentences.why(job)),
            "hours_lost": plain(job["hours_lost"], 0),
            "part": job["primary_part"] or "",
            "part_from": sentences.piece(job),
            "safety_part": job["safety_part"] or "",
            "safety_changes": plain(job["safety_element"]["main_changes_since"], 0),
            "safety_hours": plain(job["safety_element"]["hours_since"], 0),
            "meter": plain(job["meter_hours_now"], 0),
            "question": say.plain("work.ask_first") if job["has_question"] else "",
        }


def _later(say: Sayer, sentences: WorkSentences, work: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    for one in work["later"]:
        yield {
            **_place(say, one),
            "listed": say.plain("work.csv_listed.no"),
            "why": " ".join(text for text, _ in sentences.not_listed(one)),
        }


def _place(say: Sayer, one: Mapping[str, Any]) -> dict[str, str]:
    """What a row says of a change, on the list or not."""
    planned = one["planned"] if one["planned"] is not None and one["planned"]["state"] == "open" else None
    return {
        **NOTHING,
        **dates(say, one),
        "day": one["day"] or "",
        "site": one["site"] or "",
        "machine": one["machine"],
        "display_name": one["display_name"] or "",
        "housing": one["housing"],
        "state": say.plain(f"state.{one['state_form']}"),
        "chance": percent(one["chance_at_limit_before"]),
        "planned_day": "" if planned is None else planned["on"],
        "planned_by": "" if planned is None else planned["by"],
        "note": "" if planned is None else planned["note"],
    }
