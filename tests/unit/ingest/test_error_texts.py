"""The server's errors: each code has a sentence, each sentence its values; what a sentence must say."""

from __future__ import annotations

import ast
import string
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import pytest

from cleanside.gateway import setting_texts
from cleanside.gateway.wire import Coded
from cleanside.ingest.error_texts import SENTENCES
from cleanside.ingest.errors import AddressRefused, CalledWrongly, NotACode, TryAgain
from tests.support.house import ROOT, tree

KINDS = {
    "ArchiveUnreadable",
    "BlockDamaged",
    "CalledWrongly",
    "BeingServed",
    "TryAgain",
    "AddressRefused",
    "NotACode",
}
KINDS |= {"Refused", "KeyRejected", "DoesNotFit", "WrongField", "CannotOpen", "NoVisitPlan"}
#: codes that a helper is given (`owners.quotas.over_quota`), or a class of its own (`NotFound`)
BY_A_HELPER = {"key_requests_spent", "key_bytes_spent", "address_tries_spent", "unknown_name"}
#: what a helper says of a password (`owners.passwords`), of a sign-in, of a role (`owners.access.require`)
BY_A_HELPER |= {"password_of_another_length", "password_too_plain", "password_with_control_characters"}
BY_A_HELPER |= {"sign_in_refused", "sign_in_tries_spent", "not_for_a_key", "not_for_a_person"}
BY_A_HELPER |= {"role_of_key_not_allowed", "role_of_person_not_allowed"}
#: why an hour meter is doubted (`shop.meter`)
BY_A_HELPER |= {"meter_lower", "meter_above_later", "meter_ahead_of_clock", "meter_below_worked"}
BY_A_HELPER |= {"meter_first_high"}
#: what is asked about a planned day (`api.routes.planned_day_asked`)
BY_A_HELPER |= {"planned_day_too_late", "planned_day_far", "planned_day_no_work", "planned_day_reached"}
#: what `restriction` says as a code, which imports nothing of ours (`verdict.cost_of_waiting`)
OF_THE_ANALYSIS = {"fuel_unusual", "fuel_price_unusual"}
#: what is said of rows far from their neighbours (`evaluation.life_audit`)
OF_THE_ANALYSIS |= {"lone_row_at_terminal", "rows_at_terminal_and_back", "leap_to_terminal", "leap_at_end"}
#: codes of `ingest.store.trouble`
OF_THE_STORE = {"store_full", "store_read_only", "store_unavailable"}
#: what `ingest.store.durability` finds weak
OF_THE_STORE |= {"fsync_off", "full_page_writes_off", "commit_not_awaited"}
OF_THE_STORE |= {"no_standby_named", "standby_not_awaited"}
#: what `migrate` and `serve --migrate` say meanwhile
OF_THE_STORE |= {"migration_awaits_standby"}


def raised(path: Path) -> Iterator[tuple[str, set[str]]]:
    """Each code that a file gives an error, and the names of its values."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in KINDS:
            match node.args:
                case [ast.Constant(value=str(code))] if " " not in code:
                    yield code, names_given(node, path)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Complaint":
            match node.args:
                case [_, ast.Constant(value=str(code))]:
                    yield code, names_given(node, path)


def names_given(call: ast.Call, path: Path) -> set[str]:
    """Names of the values of a call; those of `**about` are the keys of every such dictionary of the file."""
    given = {word.arg for word in call.keywords if word.arg}
    spread = {ast.unparse(word.value) for word in call.keywords if word.arg is None}
    if not spread:
        return given
    for node in ast.walk(tree(path)):
        target = node.targets[0] if isinstance(node, ast.Assign) else getattr(node, "target", None)
        if (
            isinstance(node, ast.Assign | ast.AnnAssign | ast.AugAssign)
            and target
            and ast.unparse(target) in spread
        ):
            given |= {str(ast.literal_eval(key)) for key in getattr(node.value, "keys", ()) if key}
    return given


@cache
def calls() -> Sequence[tuple[str, str, set[str]]]:
    """Each place, its code and the names of its values; read by the test that asks first."""
    return [
        (path.relative_to(ROOT).as_posix(), code, values)
        for path in sorted((ROOT / "ingest").rglob("*.py"))
        for code, values in raised(path)
    ]


def test_every_code_has_a_sentence_and_every_sentence_a_use() -> None:
    used = {code for _, code, _ in calls()}
    elsewhere = BY_A_HELPER | OF_THE_ANALYSIS | OF_THE_STORE | setting_texts.SENTENCES.keys()
    assert used | elsewhere == SENTENCES.keys()


def test_the_sentences_of_settings_are_those_of_both_programs() -> None:
    shared = {code: SENTENCES[code] for code in setting_texts.SENTENCES}
    assert shared == setting_texts.SENTENCES


def test_every_place_that_raises_gives_the_values_of_its_sentence() -> None:
    missing = []
    for place, code, values in calls():
        sentence = SENTENCES[code]
        if isinstance(sentence, str):
            needed = {name for _, name, _, _ in string.Formatter().parse(sentence) if name}
            missing += [(place, code, name) for name in needed - values]
    assert missing == []


@pytest.mark.parametrize(
    ("error", "says"),
    [
        (CalledWrongly("schema_older", schema="0001", newest="0002"), "then run: cleanside-ingest migrate"),
        (CalledWrongly("schema_newer", schema="0003", newest="0002"), "install its newer release"),
        (CalledWrongly("tool_missing", name="pg_dump"), "install PostgreSQL's client tools"),
        (CalledWrongly("keys_in_the_clear", address="10.0.0.1"), "give --tls-certificate and --tls-key"),
        (NotACode("code_not_whole", symbols=15), "15 letters and digits"),
        (AddressRefused("address_not_public", address="10.0.0.1"), "named in webhook_networks"),
        (
            CalledWrongly("tls_file_unreadable", name="tls_key", file="k", why="No", denied_uid=None),
            "the name",
        ),
        (CalledWrongly("tls_file_unreadable", name="tls_key", file="k", why="No", denied_uid=7), "user id 7"),
        (TryAgain("requests_wait", waiting=8), "8 requests wait for the disk already; send again when"),
        (TryAgain("bytes_in_flight", held_bytes=100, most_bytes=100), "at most 100; send again shortly"),
    ],
)
def test_a_sentence_names_the_next_step(error: Coded, says: str) -> None:
    assert says in str(error)
