"""What lives left out say: how far the look-up counts, how wide the interval is, which lives are twins."""

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import Life
from cleanside.ingest.restriction.forecast import forecast
from cleanside.ingest.restriction.forecast.blend import (
    NO_BLEND,
    PHASES,
    Trial,
    around,
    blend_points,
    learn_weights,
    set_weight,
    stretch,
    with_last_days,
)
from cleanside.ingest.restriction.forecast.forecast import fit_forecaster
from cleanside.ingest.restriction.forecast.paths import trace
from cleanside.ingest.restriction.forecast.prior import prior_hours_left, usual_life
from cleanside.ingest.restriction.forecast.twins import (
    MOST_TWINS,
    batches,
    counts_of,
    folds_of,
    least_batches,
)
from cleanside.ingest.restriction.forecast.usual import learn_lengths


def life_of(end_h, *, seed=0, bend=3.0, clean=0.2, noise=0.006, rows=160, until=1.0, kind=""):
    """A made life to a terminal of 1 000 Pa that bends by u^bend beside a straight part."""
    rng = np.random.default_rng(seed)
    hours = np.linspace(end_h / rows, end_h * until, int(rows * until))
    rise = 0.2 * hours / end_h + 0.8 * (hours / end_h) ** bend
    level = 1000.0 * (clean + (1.0 - clean) * rise + noise * rng.normal(size=len(hours)))
    level[-1] = 1000.0 if until >= 1.0 else level[-1]
    return Life(hours=hours, restriction_pa=level, terminal_pa=1000.0, complete=until >= 1.0, kind=kind)


def left_at(forecaster, life, row):
    points = forecaster.hours_left(life.hours, life.restriction_pa, terminal_pa=life.terminal_pa)
    return points[row]


def trials_with(lookup_off, prior_off, *, lives=20, counts=1.0):
    """Lives left out at 30 rows each; both forecasts are off by so many per cent (standard deviation)."""
    rng = np.random.default_rng(5)
    made = []
    for _ in range(lives):
        truth = np.linspace(300.0, 10.0, 30)
        lookup, alone = (
            (truth * np.exp(rng.normal(0, off / 100)))[:, None] * np.array([0.9, 1.0, 1.1])
            for off in (lookup_off, prior_off)
        )
        progress = np.linspace(0.0, 1.0, 30)
        made.append(Trial(progress, lookup, alone, truth, np.ones(30), 12.0, 3.0, counts))
    return made


@pytest.mark.parametrize(("lookup_off", "prior_off", "lookup_counts"), [(5, 60, 1.0), (60, 5, 0.0)])
def test_what_forecasts_lives_left_out_better_counts_more(lookup_off, prior_off, lookup_counts):
    blend = learn_weights(trials_with(lookup_off, prior_off))
    assert blend.weight == pytest.approx(np.full(PHASES, lookup_counts), abs=0.26)
    assert blend.trust(np.array([0.0, 0.5, 1.0]), 12.0) == pytest.approx(lookup_counts, abs=0.4)


def test_where_neither_is_clearly_better_the_set_weight_stays():
    assert learn_weights(trials_with(30, 30, lives=4)).weight == pytest.approx(set_weight(12.0))


def test_the_interval_is_stretched_to_hold_what_it_states_and_little_where_few_lives_say_so():
    many, few = trials_with(20, 20, lives=60), trials_with(20, 20, lives=4)
    wide, hardly = (stretch(learn_weights(trials), trials) for trials in (many, few))
    assert wide.above > hardly.above
    assert wide.above > 1.5
    held = []
    for trial in trials_with(20, 20, lives=60):
        trust = wide.trust(trial.progress, trial.lives)
        points = wide.stretched(
            blend_points(trial.by_lookup, trial.alone, trust, trial.rest_h, lives=wide.lives)
        )
        held.append(np.mean((points[:, 0] <= trial.truth) & (trial.truth <= points[:, 2])))
    assert 0.7 < np.mean(held) < 0.95


def test_many_lives_left_out_narrow_a_wide_interval_and_one_batch_does_not():
    """One batch says nothing of how far the next one lies from it."""
    factors = []
    for counts in (1.0, 1.0 / 60.0):
        trials = trials_with(2, 2, lives=60, counts=counts)
        blend = stretch(learn_weights(trials), trials)
        factors.append((blend.below, blend.above))
    assert max(factors[0]) < 0.5
    assert factors[1] == (1.0, 1.0)


def test_the_end_of_a_life_left_out_does_not_widen_the_interval(monkeypatch):
    """Nothing is left there, and an early point above nothing is missed. It was one row in 24 of each."""
    seen = []

    def look(blend, trials, **_):
        seen.extend(trials)
        return blend

    monkeypatch.setattr(forecast, "stretch", look)
    fit_forecaster([life_of(end_h, seed=n) for n, end_h in enumerate((200.0, 260.0, 330.0, 420.0))])
    assert len(seen) == 4
    assert min(trial.truth.min() for trial in seen) > 0.0


def test_twins_left_out_count_as_one_life():
    assert learn_weights(trials_with(30, 30, lives=20, counts=0.2)).lives == pytest.approx(4.0)


def test_with_no_life_left_out_the_look_up_is_made_as_wide_as_the_prior():
    lookup, alone = np.array([[99.0, 100.0, 101.0]]), np.array([[50.0, 100.0, 200.0]])
    points = blend_points(lookup, alone, np.ones(1), 1e-9, lives=NO_BLEND.lives)
    assert points == pytest.approx(alone, rel=1e-6)


def test_points_of_near_twins_make_batches_and_others_do_not():
    rng = np.random.default_rng(2)
    middles = rng.normal(0, 0.3, (4, 2))
    twins = [tuple(m + 0.01 * rng.normal(size=2)) for m in middles for _ in range(5)]
    assert len(set(batches(twins, ["one"] * 20).tolist())) == 4
    for seed in range(20):
        others = [tuple(p) for p in np.random.default_rng(seed).normal(0, 0.3, (20, 2))]
        assert len(set(batches(others, ["one"] * 20).tolist())) == 20
    assert batches(twins[:3], ["one"] * 3).tolist() == [0, 1, 2]


def test_many_batches_are_found_although_two_of_them_lie_near_each_other():
    """Ten batches of four: of the edges of the tree none is much longer than the next."""
    rng = np.random.default_rng(3)
    middles = rng.normal(0, 0.3, (10, 2))
    twins = [tuple(m + 0.012 * rng.normal(size=2)) for m in middles for _ in range(4)]
    found = batches(twins, ["one"] * 40)
    assert 8 <= len(set(found.tolist())) <= 10
    assert counts_of(found).sum() == pytest.approx(len(set(found.tolist())))


def test_four_lives_of_one_batch_teach_a_length_as_one_life_does():
    """All that was seen is one batch: there is no gap, but lives are not so much alike by chance."""
    batch = [life_of(300.0 * (1 + 0.008 * n), seed=n, bend=2.5) for n in range(4)]
    spread = [300.0 * np.exp(x) for x in (-0.35, -0.1, 0.1, 0.35)]
    others = [life_of(end_h, seed=n, bend=2.5) for n, end_h in enumerate(spread)]
    assert learn_lengths(batch)[0].told == pytest.approx(1.0, abs=0.1)
    assert learn_lengths(others)[0].told == pytest.approx(4.0, abs=0.1)
    learned = fit_forecaster(batch).learned
    assert learned is not None
    assert learned.lives_behind("") == pytest.approx(1.0)


def batch_with_doubt():
    """Five lives of one kind, 280 to 320 h, that bend late: one batch, or a kind that is that regular."""
    lengths_h = 300.0 * np.exp(np.array([-0.06, -0.03, 0.0, 0.03, 0.06]))
    return [life_of(h, seed=n, bend=5.0, noise=0.015, kind="one") for n, h in enumerate(lengths_h)]


def off_and_held(forecaster, end_h, kind):
    """Mean of forecast less truth after the first rows, and the share of rows that the interval holds."""
    life = life_of(end_h, seed=50, bend=5.0, noise=0.015)
    points = forecaster.hours_left(life.hours, life.restriction_pa, terminal_pa=1000.0, kind=kind)[10:]
    left = (life.hours[-1] - life.hours)[10:]
    return np.mean(points[:, 1] - left), np.mean((points[:, 0] <= left) & (left <= points[:, 2]))


def test_few_lives_that_are_alike_may_be_one_batch_and_make_no_narrow_interval():
    """The next batch is a third longer: the interval held 41 % of it while the five counted as five."""
    forecaster = fit_forecaster(batch_with_doubt())
    assert forecaster.learned is not None
    assert forecaster.learned.blend.lives == pytest.approx(1.0)
    assert off_and_held(forecaster, 400.0, "one")[1] > 0.75


def test_batches_at_the_least_are_fewer_where_few_lives_of_a_kind_are_alike():
    alike, apart = [(0.01 * n, 0.2) for n in range(5)], [(0.2 * n, 0.2) for n in range(5)]
    many = [(0.001 * n, 0.2) for n in range(MOST_TWINS + 1)]
    each = np.arange(20)
    assert least_batches(each[:10], [*alike, *apart], ["a"] * 5 + ["b"] * 5) == 6
    assert least_batches(each[: len(many)], many, ["a"] * len(many)) == len(many)
    assert least_batches(each[:3], alike[:3], ["a"] * 3) == 3


def test_of_a_kind_not_seen_beside_a_single_one_the_forecast_is_not_far_too_late():
    """Lives of the other kind last 0.6 to 1.7 times as long: about as often longer as shorter."""
    forecaster = fit_forecaster(batch_with_doubt())
    off, held = zip(*(off_and_held(forecaster, h, "two") for h in (180.0, 230.0, 390.0, 500.0)), strict=True)
    assert abs(np.mean(off)) < 0.1 * 300.0
    assert min(held) > 0.8


@pytest.mark.parametrize(("known", "other", "least"), [(3.0, 5.0, 0.8), (6.0, 1.6, 0.25)])
def test_of_a_kind_not_seen_that_bends_otherwise_the_interval_says_how_unsure_that_is(known, other, least):
    """
    One batch of one site teaches one curve, and another dust bends another way.

    Of lives of 220 and 400 h the interval held 71 and 76 %, and 15 and 8 %, while all curves were taken to be
    like that of the site that was seen.
    """
    lengths_h = 300.0 * np.exp(np.linspace(-0.04, 0.04, 5))
    site = [life_of(h, seed=n, bend=known, noise=0.01, kind="one") for n, h in enumerate(lengths_h)]
    forecaster = fit_forecaster(site)
    for end_h in (220.0, 400.0):
        life = life_of(end_h, seed=60, bend=other, noise=0.01)
        points = forecaster.hours_left(life.hours, life.restriction_pa, terminal_pa=1000.0, kind="two")[10:]
        left = (life.hours[-1] - life.hours)[10:]
        assert np.mean((points[:, 0] <= left) & (left <= points[:, 2])) > least


def test_of_a_kind_not_seen_the_level_counts_at_first_and_then_its_own_curve():
    forecaster = fit_forecaster(batch_with_doubt())
    assert forecaster.learned is not None
    learned, clean = forecaster.learned, forecaster.learned.frame.clean
    first, middle, last = learned.trust_at(clean + (1.0 - clean) * np.array([0.05, 0.5, 0.95]), "two")
    assert first == pytest.approx(0.5)
    assert middle == pytest.approx(0.1)
    assert last == pytest.approx(0.1)


def test_points_moved_to_another_middle_keep_their_width_in_the_logarithm():
    points = np.array([[10.0, 20.0, 50.0]])
    moved = around(np.array([40.0]), points, 0.0)
    assert moved == pytest.approx(np.array([[20.0, 40.0, 100.0]]))


def test_lives_that_differ_as_on_a_test_stand_are_no_twins():
    """Lengths that differ by 10 %, as within a feed level of the open bench, in two clumps."""
    rng = np.random.default_rng(1)
    lengths = np.concatenate((rng.normal(0.0, 0.1, 10), rng.normal(0.9, 0.1, 10)))
    places = [(float(x), 0.25 + 0.03 * rng.normal()) for x in lengths]
    assert len(set(batches(places, ["one"] * 20).tolist())) == 20


def test_twins_are_left_out_together():
    assert folds_of(np.array([0, 1, 1, 3, 4, 3]), 3).tolist() == [0, 1, 1, 2, 0, 2]


def test_in_batches_of_twins_the_interval_is_wider_than_one_twin_shows():
    """Four batches of four, 200 to 500 h: the next batch is as far off as these are from each other."""
    lives = [
        life_of(
            end_h * (1 + 0.004 * twin),
            seed=10 * n + twin,
            clean=0.15 + 0.04 * n,
            bend=2.2 + 0.6 * n,
            kind="one",
        )
        for n, end_h in enumerate((200.0, 420.0, 310.0, 500.0))
        for twin in range(4)
    ]
    learned = fit_forecaster(lives).learned
    assert learned is not None
    assert learned.blend.lives == pytest.approx(4.0)


def test_the_median_of_the_prior_is_that_of_the_usual_life():
    """A flat element early in its life: half of the lives end before the usual one. It was 6 % too early."""
    hours = np.linspace(1.0, 5.0, 5)
    usual = dataclasses.replace(usual_life(500.0), spread=0.1, shape_spread=50.0)
    path = trace(hours, np.full(5, 0.2))
    middle = prior_hours_left(path, np.full(5, 0.2), slice(4, None), usual=usual)[0, 1]
    assert middle + 5.0 == pytest.approx(500.0, rel=0.015)


def test_one_whole_life_shows_the_curve_that_the_next_one_follows():
    """A late knee, which no curve of the family has: seen once, the age at a level tells the share used."""
    first, life = life_of(100.0, bend=9.0), life_of(160.0, bend=9.0, seed=4)
    usual = learn_lengths([first])[0].of("")
    share = life.restriction_pa / life.terminal_pa
    path, at = trace(life.hours, share), np.array([130])
    errors = []
    for known in (usual, dataclasses.replace(usual, mean_curve=None, curves=usual_life(1.0).curves)):
        points = prior_hours_left(path, share, at, usual=known)[0]
        errors.append(abs(points[1] - (life.hours[-1] - life.hours[130])))
    assert errors[0] < 0.5 * errors[1]


def test_a_life_three_times_as_long_as_the_few_others_stays_inside_the_interval_at_two_thirds():
    """Its own curve counts beside lengths that were learned from few."""
    lives = [life_of(100.0 * np.exp(0.1 * n), seed=n) for n in range(3)]
    life = life_of(330.0, seed=9)
    left = left_at(fit_forecaster(lives), life, 107)
    assert left[0] < life.hours[-1] - life.hours[107] < left[2]


def test_a_kind_has_its_own_mean_curve_drawn_to_that_of_all():
    late = [life_of(100.0 * 1.05**n, bend=8.0, seed=n, kind="late") for n in range(8)]
    even = [life_of(100.0 * 1.05**n, bend=1.2, seed=20 + n, kind="even") for n in range(8)]
    lengths, _ = learn_lengths([*late, *even])
    curves = [lengths.of(kind).mean_curve for kind in ("late", "unseen", "even")]
    assert all(curve is not None for curve in curves)
    halfway = [curve.progress[13] for curve in curves if curve is not None]
    assert halfway[0] < halfway[1] - 0.1
    assert halfway[1] < halfway[2] - 0.1


def test_the_further_kinds_lie_apart_the_less_one_is_drawn_to_the_others():
    """Two lives of each kind, 120 and 700 h: the middle of all is that of neither."""
    lengths_h = {"fine": (115.0, 125.0), "coarse": (680.0, 720.0)}
    lives = [life_of(h, seed=int(h), kind=kind) for kind, pair in lengths_h.items() for h in pair]
    lengths, _ = learn_lengths(lives)
    for kind, pair in lengths_h.items():
        assert lengths.of(kind).life_h == pytest.approx(np.mean(pair), rel=0.12)


def test_a_life_far_longer_than_many_others_is_believed_its_own_curve():
    """Twelve lives of 90 to 110 h, and one of 300 h at half of its life, which is past all of them."""
    lives = [life_of(end_h, seed=n) for n, end_h in enumerate(np.linspace(90.0, 110.0, 12))]
    usual, life = learn_lengths(lives)[0].of(""), life_of(300.0, seed=50)
    share, at = life.restriction_pa / life.terminal_pa, np.array([80])
    path = trace(life.hours, share)
    with_tails, without = (
        prior_hours_left(path, share, at, usual=dataclasses.replace(usual, has_tails=tails))[0, 1]
        for tails in (True, False)
    )
    assert usual.has_tails
    assert with_tails > 1.1 * without
    assert with_tails > 0.75 * (life.hours[-1] - life.hours[80])


def test_few_hours_left_by_few_lives_may_be_more_and_by_many_lives_are_not():
    """The late point alone is moved out, by less the more lives were left out; far from the end it stays."""
    points, rest_h = np.array([[5.0, 10.0, 20.0], [50.0, 100.0, 200.0]]), 3.0  # of 300 h that are typical
    few, many = (with_last_days(points, rest_h, lives=lives) for lives in (5.0, 100.0))
    assert few[1] == pytest.approx(points[1])
    assert few[0, :2] == pytest.approx(points[0, :2])
    assert few[0, 2] > 1.3 * points[0, 2]
    assert points[0, 2] < many[0, 2] < 1.2 * points[0, 2]
    censored = with_last_days(points, rest_h, lives=100.0, ended_share=0.1)
    assert censored == pytest.approx(with_last_days(points, rest_h, lives=10.0))
