"""Which machine gets which piece, and what is carried."""

from __future__ import annotations

from datetime import date, timedelta

from cleanside.ingest.shop.dealt_parts import Carry, Coming, WantedPiece, carries_of, deal

TODAY = date(2026, 11, 30)
LATER = TODAY + timedelta(days=7)


def want(site: str | None, day: date = TODAY) -> WantedPiece:
    return WantedPiece(day=day, site=site, part="KG")


def test_what_is_missing_at_a_site_is_brought_from_the_one_that_can_spare_it() -> None:
    """Kargrund needs one of its three itself, the camp has one; oberkies lacks three."""
    wanted = [want("oberkies")] * 3 + [want("kargrund", LATER), want("oberkies", LATER)]
    stock = {"KG": {"oberkies": 1, "kargrund": 3, "camp": 1}}
    dealt = deal(wanted, stock, {})
    assert carries_of(dealt) == [
        Carry(day=TODAY, site="oberkies", part="KG", pieces=2, from_site="kargrund"),
        Carry(day=LATER, site="oberkies", part="KG", pieces=1, from_site="camp"),
    ]
    more = deal([*wanted, want("oberkies", LATER)], stock, {})
    assert carries_of(more) == carries_of(dealt), "none is left"
    assert (more[-1].where, more[-1].comes_on) == ("not_ordered", None)


def test_two_pieces_serve_two_machines_and_the_next_get_what_is_ordered() -> None:
    comes = TODAY + timedelta(days=3)
    coming = {"KG": Coming(ordered=(None, comes), if_ordered_now=LATER)}
    dealt = deal([want("kargrund")] * 5, {"KG": {"oberkies": 2}}, coming)
    assert [(one.where, one.from_site, one.comes_on) for one in dealt] == [
        ("other_site", "oberkies", None),
        ("other_site", "oberkies", None),
        ("on_order", None, comes),
        ("on_order", None, None),
        ("not_ordered", None, LATER),
    ]


def test_a_site_keeps_its_pieces_for_its_own_machines() -> None:
    dealt = deal([want("kargrund"), want(None), want("oberkies", LATER)], {"KG": {"oberkies": 2}}, {})
    assert [one.where for one in dealt] == ["other_site", "not_ordered", "own_site"]
    assert carries_of(dealt)[0].pieces == 1
