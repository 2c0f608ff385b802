"""The schedule of a campaign: seeded, every kind of fault before one comes twice."""

from __future__ import annotations

import random
from collections import Counter
from itertools import islice

from cleanside.simulator.campaign import GATEWAY_FAULTS, SHOP_FAULTS, Dealer, Round, rounds
from cleanside.simulator.crooked_link import MODES, STRAIGHT

GATEWAYS = ["grader-07-intake", "grader-11-intake", "loader-02-intake"]
BAD = [mode for mode in MODES if mode != STRAIGHT]
ROUND_S = 30.0


def played(seed: int, count: int = 4, **more: tuple[str, ...]) -> list[Round]:
    return list(islice(rounds(seed=seed, gateways=GATEWAYS, modes=BAD, round_s=ROUND_S, **more), count))


def test_a_seed_gives_one_schedule_and_another_another() -> None:
    assert played(1) == played(1)
    assert played(1) != played(2)


def test_every_kind_comes_before_one_comes_again() -> None:
    one = played(3, 1)[0]
    for strokes, kinds in ((one.gateways, GATEWAY_FAULTS), (one.links, BAD)):
        dealt = sorted((s.at_s, s.what) for each in strokes.values() for s in each if s.what != STRAIGHT)
        assert {what for _, what in dealt[: len(kinds)]} == set(kinds)


def test_a_link_has_a_good_time_behind_each_bad_one() -> None:
    for strokes in played(3, 1)[0].links.values():
        assert [stroke.what == STRAIGHT for stroke in strokes] == [False, True] * (len(strokes) // 2)


def test_all_that_can_happen_happens_to_the_shop_and_a_backup_comes_first() -> None:
    seen = Counter(stroke.what for one in played(5, 8) for stroke in one.shop)
    assert set(seen) == set(SHOP_FAULTS)
    assert all(one.shop[0].what == "back_up" for one in played(5))


def test_strokes_come_in_the_order_of_time_and_within_bounds() -> None:
    for one in played(7):
        for strokes in (*one.gateways.values(), *one.links.values(), one.shop):
            times = [stroke.at_s for stroke in strokes]
            assert times == sorted(times)
            assert all(0 <= stroke.size < 1 for stroke in strokes)
            assert times[-1] < 1.5 * ROUND_S


def test_what_cannot_be_had_is_not_dealt() -> None:
    without = ("copy", "restore", "trickle")
    seen = {
        stroke.what
        for one in played(9, 8, without=without)
        for strokes in (*one.gateways.values(), *one.links.values(), one.shop)
        for stroke in strokes
    }
    assert not seen & set(without)


def test_a_dealer_deals_each_card_once_a_deck() -> None:
    dealer = Dealer(("a", "b", "c"), random.Random(1))
    decks = [{dealer.deal() for _ in range(3)} for _ in range(5)]
    assert decks == [{"a", "b", "c"}] * 5
