"""What people enter of an element, weighed against the readings: on machines of the demo."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Assessment,
    Entry,
    HousingFacts,
    Readings,
    WeighedEntry,
    assess_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.elements.entries import WORK
from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.restriction.verdict.plain_forms import ENTRIES
from tests.support.demo_machine import START_AT, changed_at_s, demo_readings, spec_of, terminal_pa_of

DAY_S = 86_400.0
HOUR_S = 3_600.0
LOADER = spec_of("loader-02")  # its element was changed on day 11, overnight
GRADER = spec_of("grader-07")  # its element stayed in
CHANGED_S = changed_at_s(LOADER)


@functools.cache
def readings_of(name: str) -> Readings:
    return demo_readings(spec_of(name))


def until(readings: Readings, at_s: float) -> Readings:
    columns = {f.name: getattr(readings, f.name) for f in dataclasses.fields(readings)}
    keep = readings.at_s < at_s
    return Readings(**{name: values[keep] for name, values in columns.items() if values is not None})


def assess(name: str, *entries: Entry, until_s: float = np.inf) -> Assessment:
    spec, readings = spec_of(name), until(readings_of(name), until_s)
    facts = HousingFacts(terminal_pa=terminal_pa_of(spec), entries=entries, machine=spec.name, kind=spec.kind)
    return assess_housing(summarise_hours(readings), facts, now_s=float(readings.at_s.max()) + 600)


def entry(at_s: float, **more: object) -> Entry:
    return Entry(at_s=at_s, **more)  # type: ignore[arg-type]


def the(found: Assessment) -> WeighedEntry:
    [weighed] = found.study.entries
    return weighed


def figures(found: Assessment) -> Assessment:
    """Without what is said of entries."""
    study = dataclasses.replace(found.study, entries=(), evidence=())
    return dataclasses.replace(found, study=study, evidence=())


def test_an_entry_that_the_level_fell_at_fits_and_says_from_what_to_what() -> None:
    weighed = the(assess("loader-02", entry(CHANGED_S - 300)))
    assert (weighed.verdict, weighed.is_question, weighed.used_s) == ("fits", False, CHANGED_S - 300)
    assert weighed.before_pa == pytest.approx(6050, rel=0.02)
    assert weighed.after_pa == pytest.approx(2050, rel=0.02)


def test_a_change_entered_for_the_wrong_machine_is_a_question_and_moves_no_figure() -> None:
    at_s = START_AT.timestamp() + 15.3 * DAY_S
    found, without = assess("grader-07", entry(at_s)), assess("grader-07")
    assert the(found).verdict == "did_not_fall"
    assert found.study.questions == found.study.entries
    assert figures(found) == figures(without)
    assert of_entry(the(found)) in found.evidence


def test_what_a_person_confirms_holds_whatever_the_readings_say() -> None:
    at_s = START_AT.timestamp() + 15.3 * DAY_S
    found = assess("grader-07", entry(at_s, confirmed=True))
    assert (the(found).verdict, the(found).is_question, the(found).used_s) == ("did_not_fall", False, at_s)
    assert found.study.lives[-1].start_s == at_s


@pytest.mark.parametrize("late_h", [-5.0, 4.5, 9.0])
def test_an_entry_within_a_shift_of_the_fall_counts_from_the_fall(late_h: float) -> None:
    """Entered at the end of the shift; the element before still reached its limit."""
    found = assess("loader-02", entry(CHANGED_S + late_h * HOUR_S))
    weighed = the(found)
    if late_h < 0:  # the machine stood: no operating hour lies between
        assert weighed.verdict == "fits"
    else:
        assert weighed.verdict == "fits_at_fall"
        assert weighed.used_s == pytest.approx(CHANGED_S, abs=HOUR_S)
    before, after = found.study.lives
    assert before.level_end_pa == pytest.approx(6050, rel=0.02)
    assert after.level_start_pa == pytest.approx(2050, rel=0.03)


@pytest.mark.parametrize("late_days", [1.5, 3.0])
def test_a_change_entered_days_after_the_fall_is_asked_about_and_cuts_no_life(late_days: float) -> None:
    found, without = assess("loader-02", entry(CHANGED_S + late_days * DAY_S)), assess("loader-02")
    assert (the(found).verdict, the(found).is_question) == ("did_not_fall", True)
    assert the(found).fall_s == pytest.approx(CHANGED_S, abs=DAY_S)
    assert figures(found) == figures(without)


def test_a_change_entered_twice_is_one() -> None:
    once, twice = entry(CHANGED_S - 300, name="a"), entry(CHANGED_S + 4.5 * HOUR_S, name="b")
    for entries in ((once, twice), (twice, once)):
        found = assess("loader-02", *entries)
        assert [w.verdict for w in found.study.entries] == ["fits", "double"]
        assert len(found.study.lives) == 2
    just_now = float(readings_of("loader-02").at_s.max())
    waiting = assess("loader-02", entry(just_now + 60, name="a"), entry(just_now + 3 * HOUR_S, name="b"))
    assert [w.verdict for w in waiting.study.entries] == ["not_seen_yet", "double"]


@pytest.mark.parametrize(
    "again",
    [
        ("new", 5 * 60),
        ("new", 4.5 * HOUR_S),
        ("new", 26 * HOUR_S),
        ("cleaned", 5 * 60),
        ("cleaned", 26 * HOUR_S),
    ],
)
def test_what_holds_without_entries_goes_by_the_element_before_the_first(again: tuple[str, float]) -> None:
    """A second entry of the same work stood in for the first, and the element before both was forgotten."""
    (what, later_s), just_now = again, float(readings_of("loader-02").at_s.max())
    first = entry(just_now + 60, name="a")
    second = entry(just_now + 60 + later_s, what=what, name="b")
    without, once = assess("loader-02").study, assess("loader-02", first).study
    for entries in ((first, second), (second, first)):
        assert assess("loader-02", *entries).study.otherwise == once.otherwise == without


@pytest.mark.parametrize("confirmed", [False, True])
def test_the_same_work_more_than_a_shift_later_on_the_clock_is_asked_about(confirmed: bool) -> None:
    """Saturday 19:00 and Sunday 21:00, 9.4 operating hours between, counted as one without a question."""
    just_now = float(readings_of("loader-02").at_s.max())
    first = entry(just_now + 60, name="a")
    later = dataclasses.replace(entry(just_now + 26 * HOUR_S, name="b"), confirmed=confirmed)
    found = assess("loader-02", first, later).study.entries
    assert [w.verdict for w in found] == ["not_seen_yet", "again"]
    assert found[1].is_question is not confirmed
    assert (found[1].other_s, found[1].other_name) == (first.at_s, "a")
    assert found[1].used_s == (later.at_s if confirmed else None)


@pytest.mark.parametrize("confirmed", [False, True])
def test_a_second_entry_days_after_a_first_that_does_not_show_is_asked_back(confirmed: bool) -> None:
    """More than a week's work after the first it counted, and the element was a new one without a word."""
    first = entry(CHANGED_S - 300, name="a")
    later = dataclasses.replace(entry(CHANGED_S + 7.6 * DAY_S, name="b"), confirmed=confirmed)
    found = _long_clean(first, later).study
    assert [w.verdict for w in found.entries] == ["fits", "entered_before"]
    asked = found.entries[1]
    assert (asked.is_question, asked.other_s, asked.other_name) == (not confirmed, first.at_s, "a")
    assert asked.used_s == (later.at_s if confirmed else None)
    assert len(found.lives) == (3 if confirmed else 2)
    assert _long_clean(later).study.entries[0].other_s is None  # of itself it is no double


def _long_clean(*entries: Entry) -> Assessment:
    """The loader, whose new element does not load: a change some 75 hours of work later would not show."""
    readings = demo_readings(LOADER, days=24)
    assert readings.restriction_pa is not None
    assert readings.engine_speed_rad_s is not None
    new_pa = np.interp(readings.engine_speed_rad_s, [0.0, 220.0], [0.0, 2_000.0])
    level = np.where(readings.at_s < CHANGED_S, readings.restriction_pa, new_pa)
    facts = HousingFacts(terminal_pa=terminal_pa_of(LOADER), entries=entries, machine=LOADER.name)
    seen = summarise_hours(dataclasses.replace(readings, restriction_pa=level))
    return assess_housing(seen, facts, now_s=float(readings.at_s.max()) + 600)


def test_a_date_long_before_the_first_reading_is_asked_about() -> None:
    long_ago = entry(START_AT.timestamp() - 6 * 365 * DAY_S)
    found, without = assess("grader-07", long_ago), assess("grader-07")
    assert the(found).verdict == "before_first_reading"
    assert found.study.questions
    assert figures(found) == figures(without)
    fitted = the(assess("grader-07", entry(START_AT.timestamp() - 0.5 * DAY_S)))
    assert (fitted.verdict, fitted.is_question) == ("no_level_before", False)


def test_an_entry_with_too_few_hours_after_it_counts_and_says_how_many_are_missing() -> None:
    found = assess("grader-07", entry(float(readings_of("grader-07").at_s.max()) + 60))
    assert (the(found).verdict, the(found).hours_missing) == ("not_seen_yet", 4.0)
    assert found.study.lives[-1].began_by == "entered"


def test_every_code_has_words_and_every_work_is_weighed() -> None:
    for what in WORK:
        assert of_entry(the(assess("loader-02", entry(CHANGED_S - 300, what=what)))).code in ENTRIES
    with pytest.raises(WrongInput) as wrong:
        entry(CHANGED_S, what="washed")
    assert (wrong.value.code, wrong.value.values["what"]) == ("work_unknown", "washed")


def test_a_denied_fall_begins_no_life_and_a_change_entered_there_after_all_does() -> None:
    days = 28  # long enough for the fall to be found and sure without an entry
    readings = demo_readings(LOADER, days=days)
    at_s = changed_at_s(LOADER, days=days)
    summaries = summarise_hours(readings)

    def lives(*entries: Entry) -> list[str]:
        facts = HousingFacts(terminal_pa=terminal_pa_of(LOADER), entries=entries)
        study = assess_housing(summaries, facts, now_s=float(readings.at_s.max())).study
        return [life.began_by for life in study.lives]

    denial = entry(at_s + 2 * HOUR_S, what="nothing")
    assert lives() == ["", "found"]
    assert lives(denial) == [""]
    assert lives(denial, entry(at_s - 300)) == ["", "entered"]


def test_a_fall_that_is_denied_is_no_hint_for_another_entry() -> None:
    wrong = entry(START_AT.timestamp() + 3.4 * DAY_S, name="wrong")
    hinted = the(assess("loader-02", wrong))
    assert hinted.verdict == "did_not_fall"
    assert hinted.fall_s == pytest.approx(CHANGED_S, abs=HOUR_S)
    [asked, _] = assess("loader-02", wrong, entry(CHANGED_S, what="nothing")).study.entries
    assert (asked.verdict, asked.fall_s) == ("did_not_fall", None)
