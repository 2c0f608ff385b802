"""
The statement about an entry: code and values.

Leaves to others: the judgement (`elements.entries`), the sentence (`plain_forms`).
"""

from __future__ import annotations

from cleanside.ingest.restriction.elements.entries import WeighedEntry
from cleanside.ingest.restriction.verdict.statement import Statement, say


def of_entry(weighed: WeighedEntry) -> Statement:
    """What the readings show about an entry, and what a person can do. Instants in s since 1970 UTC."""
    return say(
        f"entry_{weighed.verdict}",
        what=weighed.entry.what,
        at_s=weighed.entry.at_s,
        used_s=weighed.used_s,
        before_pa=weighed.before_pa,
        after_pa=weighed.after_pa,
        clean_pa=weighed.clean_pa,
        fall_s=weighed.fall_s,
        other_s=weighed.other_s,
        look_by_s=weighed.look_by_s,
        is_question=weighed.is_question,
        confirmed=weighed.entry.confirmed,
        by_code=weighed.is_unvouched,
    )
