"""Kinds among lives without a label: found by length, also of censored lives, and weighed for a new life."""

from functools import cache

import numpy as np

from cleanside.ingest.restriction import Life
from cleanside.ingest.restriction.forecast.forecast import fit_forecaster
from cleanside.ingest.restriction.forecast.modes import LengthOdds, kinds_by_length
from cleanside.ingest.restriction.forecast.usual import with_kinds

SHORT_H, LONG_H = 220.0, 750.0


def life_of(end_h, rng, *, until=1.0, kind=""):
    """A made life to a terminal of 1 000 Pa that bends by its own power, seen up to a share of its length."""
    hours = np.linspace(end_h / 150, end_h, 150)
    level = 0.25 + 0.75 * (hours / end_h) ** rng.uniform(1.6, 3.2) + 0.01 * rng.normal(size=150)
    level[-1] = 1.0
    rows = int(150 * until)
    return Life(
        hours=hours[:rows],
        restriction_pa=1000.0 * level[:rows],
        terminal_pa=1000.0,
        complete=until >= 1.0,
        kind=kind,
    )


def two_kinds(count, *, censored, seed=0):
    """Lives of two kinds in turn; each `censored`-th is seen whole, the others for 30 to 90 %."""
    rng = np.random.default_rng(seed)
    lives = []
    for number in range(count):
        end_h = (SHORT_H, LONG_H)[number % 2] * np.exp(rng.normal(0, 0.12))
        until = 1.0 if (number // 2) % censored == 0 else rng.uniform(0.3, 0.9)
        lives.append(life_of(end_h, rng, until=until))
    return lives


@cache
def taught():
    """A forecaster fitted to eighteen lives of two kinds, a third of them seen whole."""
    return fit_forecaster(two_kinds(18, censored=3))


def known(lengths_h):
    """Lengths that are known for certain."""
    return [LengthOdds(np.full(60, np.log(h)), np.ones(60)) for h in lengths_h]


def test_lengths_that_fall_apart_make_kinds_and_others_do_not():
    rng = np.random.default_rng(0)
    apart = np.concatenate([m * np.exp(rng.normal(0, 0.06, 15)) for m in (60.0, 110.0, 200.0, 380.0)])
    assert kinds_by_length(known(apart)).tolist() == [0] * 15 + [1] * 15 + [2] * 15 + [3] * 15
    for seed in range(10):
        alike = 500.0 * np.exp(np.random.default_rng(seed).normal(0, 0.2, 40))
        assert kinds_by_length(known(alike)).max() == 0
    assert kinds_by_length(known([3.0])).tolist() == [0]


def test_a_length_that_is_not_known_belongs_to_each_kind():
    """Four short lives, four long ones, and one of which nothing is known: still two kinds."""
    nothing = LengthOdds(np.log(np.geomspace(50.0, 5000.0, 60)), np.ones(60))
    found = kinds_by_length([*known([200.0, 210.0, 220.0, 230.0, 700.0, 730.0, 750.0, 780.0]), nothing])
    assert found[:8].tolist() == [0] * 4 + [1] * 4


def test_kinds_are_found_where_two_lives_of_three_are_censored():
    """Six whole lives alone are few: the censored ones show by their own curves what they would last."""
    lives = two_kinds(18, censored=3)
    assert sum(life.complete for life in lives) == 6
    names = [life.kind for life in with_kinds(lives)]
    assert set(names) == {"length 1", "length 2"}
    right = [name == ("length 1", "length 2")[n % 2] for n, name in enumerate(names)]
    assert np.mean(right) > 0.9


def test_lives_with_a_label_keep_it():
    rng = np.random.default_rng(0)
    lives = [life_of(end_h, rng, kind="one") for end_h in (100.0, 110.0, 120.0, 900.0, 950.0, 1000.0)]
    assert with_kinds(lives) == lives


def test_the_prior_of_a_life_without_a_label_has_a_mode_for_each_kind():
    learned = taught().learned
    assert learned is not None
    likely = learned.lengths.likely("")
    assert [kind.share for kind in likely] == [0.5, 0.5]
    for kind, length_h in zip(likely, (SHORT_H, LONG_H), strict=True):
        assert 0.75 < kind.usual.life_h / length_h < 1.35
    assert learned.lengths.likely("of no lives") == likely


def test_a_long_life_without_a_label_is_forecast_by_its_own_kind():
    """At a third of its life, past most of a short one: half of the lives ended earlier, and it is long."""
    forecaster = taught()
    life = life_of(LONG_H, np.random.default_rng(9))
    left = forecaster.hours_left(life.hours, life.restriction_pa, terminal_pa=life.terminal_pa)[:, 1]
    truth = life.hours[-1] - life.hours
    assert np.median(np.abs(left - truth)[50:]) < 0.12 * LONG_H
