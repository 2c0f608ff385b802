"""The audit can fail: each kind of tampering with shop, ledger or file is found, and named."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.simulator.ledger import WrittenReading
from cleanside.simulator.row_audit import Evidence, InFile, Shown, audit, by_kind, outside_us, us_of_text

DEVICE, OTHER = "grader-07-intake", "hauler-21-intake"
BEGIN_US = us_of_text("2026-12-02T06:00:00Z")
COUNT = 40


def written(number: int, **changes: Any) -> WrittenReading:
    known: dict[str, Any] = {"writer": DEVICE, "device": DEVICE, "number": number}
    known |= {"sent_us": BEGIN_US + number * 1_000_000, "is_kept": True}
    known |= {"answered_us": BEGIN_US + number * 1_000_000 + 20_000}
    known |= {"restriction_pa": 3000.0 + number, "supply_voltage_v": 27.5}
    return WrittenReading(**(known | changes))


def shown(number: int, **changes: Any) -> Shown:
    known: dict[str, Any] = {"device": DEVICE, "stream": "s1", "seq": number, "number": number}
    known |= {"at": instant_text(BEGIN_US + number * 1_000_000 + 10_000), "at_uncertainty_s": 0.1}
    known |= {"restriction_pa": 3000.0 + number, "supply_voltage_v": 27.5}
    return Shown(**(known | changes))


def line(stored: int = COUNT, **changes: Any) -> dict[str, Any]:
    known: dict[str, Any] = {"stream": "s1", "device": DEVICE, "stored": stored, "faults": []}
    return known | {"gap": 0, "pending": 0, "lost": 0, "shed": 0, "quarantined": 0, "declared": []} | changes


def sound(**changes: Any) -> Evidence:
    """A campaign in which all went well."""
    known: dict[str, Any] = {
        "ledger": {(DEVICE, n): written(n) for n in range(1, COUNT + 1)},
        "shown": [shown(n) for n in range(1, COUNT + 1)],
        "quarantined": [],
        "account": {"streams": [line()]},
        "attention": {"groups": [{"group": "declared", "entries": []}]},
        "in_files": [InFile(DEVICE, n, 3000.0 + n, 27.5) for n in range(1, COUNT + 1)],
        "file_faults": {DEVICE: []},
        "waiting": {DEVICE: 0},
    }
    return Evidence(**(known | changes))


def kinds(evidence: Evidence) -> set[str]:
    return set(by_kind(audit(evidence)))


def test_a_campaign_in_which_all_went_well_has_no_findings() -> None:
    assert audit(sound()) == []


def without(number: int) -> list[Shown]:
    return [shown(n) for n in range(1, COUNT + 1) if n != number]


def with_another(row: Shown) -> list[Shown]:
    return [row if row.number == n else shown(n) for n in range(1, COUNT + 1)]


def ledger_with(entry: WrittenReading) -> dict[tuple[str, int], WrittenReading]:
    return {(DEVICE, n): written(n) for n in range(1, COUNT + 1)} | {entry.key: entry}


TAMPERED: dict[str, tuple[Callable[[], Evidence], set[str]]] = {
    "a row is gone": (
        lambda: sound(shown=without(7), account={"streams": [line(COUNT - 1)]}),
        {"lost"},
    ),
    "a row is gone that the account still counts": (lambda: sound(shown=without(7)), {"lost", "account"}),
    "a row is there under a second number": (
        lambda: sound(
            shown=[*with_another(shown(7)), shown(7, seq=COUNT + 1)],
            account={"streams": [line(COUNT + 1)]},
        ),
        {"twice", "order"},
    ),
    "a number is there twice": (
        lambda: sound(shown=with_another(shown(8, seq=7))),
        {"twice"},
    ),
    "a value changed": (lambda: sound(shown=with_another(shown(7, restriction_pa=9007.0))), {"changed"}),
    "a value is gone": (lambda: sound(shown=with_another(shown(7, supply_voltage_v=None))), {"changed"}),
    "a time lies outside its width": (
        lambda: sound(shown=with_another(shown(7, at=instant_text(BEGIN_US + 7_200_000)))),
        {"time"},
    ),
    "a time states no width": (
        lambda: sound(shown=with_another(shown(7, at_uncertainty_s=None))),
        {"time"},
    ),
    "a time of its own changed": (
        lambda: sound(ledger=ledger_with(written(7, at_us=BEGIN_US + 7_000_000))),
        {"changed"},
    ),
    "two rows changed places": (
        lambda: sound(
            shown=[shown(n, seq={7: 9, 9: 7}.get(n, n)) for n in range(1, COUNT + 1)],
        ),
        {"order"},
    ),
    "a row was never written": (
        lambda: sound(shown=[*without(0), shown(COUNT + 1)], account={"streams": [line(COUNT + 1)]}),
        {"strange"},
    ),
    "a reading is there that its gateway called lost": (
        lambda: sound(ledger=ledger_with(written(7, is_kept=False))),
        {"strange", "undeclared"},
    ),
    "a true reading is in quarantine": (
        lambda: sound(
            shown=without(7),
            quarantined=[(DEVICE, 7, "time_in_future")],
            account={"streams": [line(COUNT - 1)]},
        ),
        {"lost", "quarantined"},
    ),
    "a number is in a gap": (lambda: sound(account={"streams": [line(gap=1)]}), {"account"}),
    "the account has a fault": (lambda: sound(account={"streams": [line(faults=["twice"])]}), {"account"}),
    "a stream has no account": (lambda: sound(account={"streams": []}), {"account"}),
    "readings wait": (lambda: sound(waiting={DEVICE: 3}), {"file"}),
    "a file has a fault": (lambda: sound(file_faults={DEVICE: ["page 7"]}), {"file"}),
    "a file has a reading twice": (
        lambda: sound(in_files=[InFile(DEVICE, 7, 3007.0, 27.5)] * 2),
        {"file"},
    ),
    "a file has another value": (lambda: sound(in_files=[InFile(DEVICE, 7, 3008.0, 27.5)]), {"changed"}),
    "a process crashed": (lambda: sound(crashes={DEVICE: ["it ended with 1"]}), {"crash"}),
}


@pytest.mark.parametrize("how", TAMPERED)
def test_tampering_is_found_and_named(how: str) -> None:
    evidence, expected = TAMPERED[how][0](), TAMPERED[how][1]
    assert kinds(evidence) == expected


def declared(count: int, *, seen: int) -> Evidence:
    """Two readings that never had a number; so many declared and shown."""
    ledger = {
        (DEVICE, n): written(
            n, is_kept=n <= COUNT, answered_us=None if n > COUNT else BEGIN_US + n * 1_000_100
        )
        for n in range(1, COUNT + 3)
    }
    events = [{"event": "readings_lost", "readings": count}] if count else []
    entries = [{"device": DEVICE, "code": "readings_lost", "value": seen}] if seen else []
    return sound(
        ledger=ledger,
        account={"streams": [line(declared=events)]},
        attention={"groups": [{"group": "declared", "entries": entries}]},
    )


@pytest.mark.parametrize(
    ("count", "seen", "expected"),
    [(2, 2, set()), (1, 1, {"undeclared"}), (0, 0, {"undeclared"}), (2, 0, {"unseen"})],
)
def test_a_loss_before_a_number_has_to_be_declared_and_shown(
    count: int, seen: int, expected: set[str]
) -> None:
    assert kinds(declared(count, seen=seen)) == expected


def test_as_many_may_be_missing_as_were_declared_given_up() -> None:
    given_up = sound(shown=without(7), account={"streams": [line(COUNT - 1, shed=1)]})
    assert audit(given_up) == []
    moved = replace(given_up, copied=frozenset({DEVICE}))
    assert kinds(moved) == {"lost"}, "what a copied spool gives up is numbers, no readings"


def test_a_copied_spool_may_begin_anew_and_no_other_may() -> None:
    rows = [shown(n, seq=(n + 20) % COUNT + 1) for n in range(1, COUNT + 1)]
    assert kinds(sound(shown=rows)) == {"order"}
    assert kinds(sound(shown=rows, copied=frozenset({DEVICE}))) == set()
    conflict = [(DEVICE, 7, "number_conflict")]
    assert kinds(sound(quarantined=conflict)) == {"quarantined"}
    assert kinds(sound(quarantined=conflict, copied=frozenset({DEVICE}))) == set()


def test_a_width_is_held_against_the_span_in_which_a_reading_was_measured() -> None:
    entry = written(7)
    assert outside_us(shown(7), entry) == 0
    late = shown(7, at=instant_text(entry.sent_us + 400_000))
    assert outside_us(late, entry) == 400_000 - 100_000 - 20_000 - 2_000
    assert outside_us(late, replace(entry, answered_us=None)) == 0, "nothing says by when it was there"
    early = shown(7, at=instant_text(entry.sent_us - 400_000))
    assert outside_us(early, entry) == 400_000 - 100_000 - 2_000


def test_the_audit_changes_nothing_that_it_is_given() -> None:
    evidence = sound()
    before = copy.deepcopy(evidence)
    audit(evidence)
    assert evidence == before


def test_another_device_answers_for_itself() -> None:
    ledger = {(DEVICE, n): written(n) for n in range(1, COUNT + 1)}
    ledger |= {(OTHER, n): written(n, device=OTHER, writer=OTHER) for n in range(1, 3)}
    (flaw,) = audit(sound(ledger=ledger))
    assert (flaw.kind, flaw.device) == ("lost", OTHER)
