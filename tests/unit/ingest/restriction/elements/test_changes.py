"""Element changes: sustained falls are found, and what merely looks like one is not."""

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.openings import find_changes


def loading(rows, *, clean=3.6, end=4.6, seed=0):
    """Convex loading with hourly noise of 1 % and slow wander of 2 %, as in hourly field means."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 1, rows)
    wander = np.cumsum(rng.normal(0, 0.02, rows)) / np.sqrt(np.arange(1, rows + 1)) * 0.3
    return (clean + (end - clean) * np.expm1(2 * t) / np.expm1(2)) * np.exp(
        rng.normal(0, 0.01, rows) + wander
    )


def cleaned(life, *, from_level):
    """The same element after a cleaning: it loads on from a level that it had before, twice as fast."""
    return life[np.flatnonzero(life <= from_level)[-1] :: 2]


def test_a_sustained_fall_to_a_clean_level_is_a_change_at_its_row():
    level = np.concatenate(
        (loading(800), loading(900, clean=3.5, seed=1), loading(500, clean=2.9, end=3.2, seed=2))
    )
    found = find_changes(level)
    assert [change.sure for change in found] == ["high", "high"]
    assert [change.row for change in found] == pytest.approx([800, 1700], abs=3)
    assert all(change.after < 0.9 * change.before for change in found)


@pytest.mark.parametrize("hours", [6, 24, 60])
def test_a_wet_spell_that_ends_is_no_change(hours):
    level = loading(1000)
    level[500 : 500 + hours] *= 1.35
    assert find_changes(level) == []


@pytest.mark.parametrize(("hours", "swells", "dries"), [(36, 12, 12), (60, 24, 12), (70, 24, 24)])
def test_a_wet_spell_that_swells_over_a_day_is_no_change(hours, swells, dries):
    """It comes hour by hour, as loading does, but in a day."""
    level = loading(1000)
    way = np.minimum(np.arange(1, hours + 1) / swells, np.arange(hours, 0, -1) / dries)
    level[500 : 500 + hours] *= 1.0 + 0.3 * np.minimum(way, 1.0)
    assert [change for change in find_changes(level) if change.sure != "low"] == []


def test_what_rose_and_fell_before_a_wet_spell_is_no_climb_to_it():
    """Eight days after a new element: damp for a while, dry again, then rain for 61 hours."""
    level = np.concatenate((loading(600, end=9.0), loading(220, end=3.8, seed=1)))
    level[620:645] *= 1.15
    level[662:723] *= 1.34
    assert [change.row for change in find_changes(level)] == pytest.approx([600], abs=3)


def test_a_sensor_that_had_fallen_to_nothing_did_not_climb_when_it_came_back():
    """Hours left out while the level rises count as climbed, but not those before it was down once more."""
    level, unseen = loading(500), np.zeros(500, dtype=np.int64)
    level[320], unseen[321] = 0.0, 61
    way = np.minimum(np.arange(1, 27) / 8.0, np.arange(26, 0, -1) / 12.0)
    level[400:426] *= 1.0 + 0.7 * np.minimum(way, 1.0)
    assert [change for change in find_changes(level, unseen=unseen) if change.sure != "low"] == []


def test_a_change_at_the_end_of_a_short_steep_life_is_found():
    life = (
        1200 * np.exp(3 * np.linspace(0, 0.55, 160)) * np.exp(np.random.default_rng(1).normal(0, 0.02, 160))
    )
    [change] = find_changes(np.concatenate((life, life)))
    assert (change.row, change.sure) == (160, "high")


@pytest.mark.parametrize("hours", [12, 60])
def test_a_wet_spell_in_a_short_life_is_no_change(hours):
    level = 1200 * np.exp(np.linspace(0, 0.5, 300)) * np.exp(np.random.default_rng(1).normal(0, 0.02, 300))
    level[150 : 150 + hours] *= np.minimum(1.8, 1.2 + 0.2 * np.arange(hours))
    assert find_changes(level) == []


def test_a_light_spell_shorter_than_a_day_of_work_is_no_change():
    level = loading(1000)
    level[500:512] *= 0.7
    assert find_changes(level) == []


def test_a_fall_that_creeps_back_within_four_days_is_not_sure():
    level = loading(1000)
    level[500:545] *= 0.75
    assert all(change.sure == "low" for change in find_changes(level))


def test_one_odd_hour_is_no_change():
    level = loading(400)
    level[200] *= 0.2
    assert find_changes(level) == []


@pytest.mark.parametrize(("hours", "found"), [(3, ["high"]), (8, ["high"]), (40, ["high"])])
def test_a_deep_fall_is_reported_within_a_shift(hours, found):
    """From a loaded element to a clean one: half a shift is enough."""
    level = np.concatenate((loading(500, end=9.0), loading(500, seed=3)[:hours]))
    assert [change.sure for change in find_changes(level)] == found


def test_a_fall_part_of_the_way_looks_like_a_cleaned_element():
    first = loading(600, clean=3.0, end=5.0)
    second = loading(600, clean=3.0, end=5.0, seed=4)
    third = cleaned(second, from_level=3.9)
    found = find_changes(np.concatenate((first, second, third)))
    assert [change.likely for change in found] == ["change", "cleaned"]


def test_the_unit_of_restriction_does_not_matter():
    level = np.concatenate((loading(800), loading(400, seed=1)))
    assert [c.row for c in find_changes(level)] == [c.row for c in find_changes(1000.0 * level)]


@pytest.mark.parametrize("rows", [0, 1, 49])
def test_too_short_a_series_has_no_change(rows):
    assert find_changes(np.ones(rows)) == []


def test_a_first_element_that_was_replaced_within_a_day_of_work_is_two_changes():
    """A cleaned element goes in, is found wanting, and a new one follows after a shift and a half."""
    worn, cleaned = loading(400, clean=3.0, end=6.0), loading(16, clean=4.6, end=4.7, seed=1)
    new = loading(400, clean=3.0, end=5.0, seed=2)
    found = find_changes(np.concatenate((worn, cleaned, new)))
    assert [change.row for change in found] == pytest.approx([400, 416], abs=6)


def test_a_wet_spell_right_after_a_change_is_no_second_change():
    new = loading(400, clean=3.0, end=5.0, seed=2)
    new[2:20] *= 1.5
    found = find_changes(np.concatenate((loading(400, clean=3.0, end=6.0), new)))
    assert [change.row for change in found] == pytest.approx([400], abs=24)


def test_a_fall_below_the_level_before_a_step_up_is_no_end_of_it():
    """The element had been wet and loaded at once: no hour between clean and full was ever seen."""
    level = np.concatenate((loading(200, end=3.6), 2.2 * loading(60, end=3.6, seed=1), 0.7 * loading(300)))
    assert [change.row for change in find_changes(level)] == pytest.approx([260], abs=2)


def test_without_a_flow_proxy_a_level_that_comes_back_from_one_shift_to_the_next_was_light_work():
    level = loading(500, clean=3.0, end=6.0)
    level[400:450] *= 0.5
    assert find_changes(level, by_work=True) == []


def test_hours_left_out_count_as_climbed_where_the_level_had_moved_on_in_them():
    """Three days of readings were not fit to judge by; the element loaded meanwhile and was changed after."""
    level = np.concatenate(
        (loading(300, clean=3.0, end=3.3), loading(25, clean=4.4, end=4.6), loading(200, clean=2.8, seed=2))
    )
    unseen = np.zeros(len(level), dtype=np.int64)
    unseen[300] = 70
    assert [change.row for change in find_changes(level, unseen=unseen)] == pytest.approx([325], abs=2)


def test_a_cleaned_first_element_does_not_make_cleaned_ones_of_the_others():
    """The first fall came part of the way; the two after it, and not it, show what a clean element has."""
    first = loading(400, clean=3.0, end=6.0)
    new = [loading(400, clean=3.0, end=6.0, seed=seed) for seed in (2, 3)]
    found = find_changes(np.concatenate((first, cleaned(first, from_level=4.2), *new)))
    assert [change.likely for change in found] == ["cleaned", "change", "change"]


def test_a_cleaned_element_that_is_as_loaded_as_before_within_thirty_hours_is_found():
    """Its level after a shift, not after a week, tells that it was cleaned; then a new one went in."""
    level = np.concatenate(
        (
            loading(300, clean=2.0, end=6.0),
            np.linspace(3.6, 6.0, 30),
            loading(300, clean=2.0, end=4.0, seed=2),
        )
    )
    found = find_changes(level)
    assert [change.row for change in found] == pytest.approx([300, 330], abs=1)
    assert [change.likely for change in found] == ["cleaned", "change"]
    assert found[1].sure == "high"


@pytest.mark.parametrize("hours", [9, 20])
def test_a_level_that_falls_at_once_and_comes_back_at_once_is_no_change(hours):
    """A tube that came off and was put back: the element is the same."""
    level = loading(600, clean=2.0, end=6.0)
    level[500 : 500 + hours] *= 0.6
    assert find_changes(level) == []


def test_the_end_of_a_wet_spell_that_began_at_once_is_no_change():
    level = loading(600, clean=3.0, end=4.0)
    level[400:480] *= np.linspace(1.45, 1.5, 80)
    assert find_changes(level) == []


def left_out_after_a_change(hours: int) -> tuple[np.ndarray, np.ndarray]:
    """Four shifts after a change, then `hours` not fit to judge by, in which the new element loaded up."""
    worn, loaded = loading(400, clean=3.0, end=6.0), np.linspace(6.0, 7.5, 120)
    level = np.concatenate((worn, loading(36, clean=3.0, end=3.1, seed=2), loaded))
    unseen = np.zeros(len(level), dtype=np.int64)
    unseen[436] = hours
    return level, unseen


@pytest.mark.parametrize("by_work", [False, True])
def test_an_element_that_loaded_in_hours_left_out_was_changed_all_the_same(by_work):
    level, unseen = left_out_after_a_change(90)
    [change] = find_changes(level, unseen=unseen, by_work=by_work)
    assert change.row == pytest.approx(400, abs=2)
    assert change.sure == ("medium" if by_work else "high")
    as_one = find_changes(level, by_work=by_work)  # at once: something came off, and back
    assert as_one == []


def test_a_machine_whose_elements_last_ninety_hours_has_each_of_them_found():
    """Its climbs and falls are no wander."""
    lives = [loading(90, clean=2.0, end=end, seed=n) for n, end in enumerate([3.2, 4.6, 3.4, 5.0] * 5)]
    found = find_changes(np.concatenate(lives))
    assert [change.row for change in found] == pytest.approx(np.arange(90, 1800, 90), abs=2)


def test_without_a_flow_proxy_a_shallow_fall_did_not_come_back_by_noise():
    """A fall by a quarter: three quarters of the level before is where it came to."""
    level = np.concatenate((loading(400, clean=3.0, end=4.4), loading(300, clean=3.2, end=3.4, seed=3)))
    level[445:470] *= 1.06
    [change] = find_changes(level, by_work=True)
    assert change.row == pytest.approx(400, abs=2)


def test_a_cleaned_element_that_reloads_within_two_days_of_work_is_found():
    """Blown out at 5 to 3.5 kPa, at 7 again after 110 hours: in 40 of them it is halfway back."""
    rng = np.random.default_rng(2)
    new, cleaned = np.linspace(1600, 5000, 90), np.linspace(3500, 7000, 110)
    level = np.concatenate((new, cleaned, new, new)) * np.exp(rng.normal(0, 0.01, 380))
    found = find_changes(level, limit=6200.0)
    assert [change.row for change in found] == pytest.approx([90, 200, 290], abs=1)
    assert [change.likely for change in found] == ["cleaned", "change", "change"]
