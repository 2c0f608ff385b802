"""One call for a housing: states, share used, dates, suspicion and silence, each from data."""

import dataclasses
import itertools
import json

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Entry,
    FleetKnowledge,
    HousingFacts,
    Life,
    Readings,
    assess_housing,
    housing_teaches,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.restriction.forecast.duty import Duty, due_dates_s, learn_duty
from cleanside.ingest.restriction.measure.steady import smoothed
from cleanside.ingest.restriction.measure.summary import DAY_S
from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from cleanside.ingest.restriction.verdict.assess import assess as assess_study
from cleanside.ingest.restriction.verdict.lay_up import LayUp
from cleanside.ingest.restriction.verdict.plain_forms import ADVICE
from cleanside.ingest.restriction.verdict.status import level_state

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z, a Monday
TERMINAL_PA = 6200.0
CLEAN_PA = 1200.0


def shift_work(days=20, *, life_h=300.0, flat=False, zero_after=0.0, terminal_share=1.0, **columns):
    """A grader: 8 hours a day, 06:00 to 14:00, a reading a minute, key on ten minutes before and after."""
    rng = np.random.default_rng(17)
    at_s = (START_S + DAY_S * np.arange(days)[:, None] + 60.0 * np.arange(350, 850)[None, :]).ravel()
    of_day = (at_s - START_S) % DAY_S / 60.0
    running = (of_day >= 360) & (of_day < 840)
    hours = np.cumsum(running) / 60.0
    flow = np.where(running, rng.uniform(0.12, 0.4, len(at_s)), np.nan)
    grown = np.expm1(3.0 * hours / life_h) / np.expm1(3.0) * terminal_share
    level = CLEAN_PA + (TERMINAL_PA - CLEAN_PA) * grown
    drop = np.where(running, level * (1.0 if flat else (np.nan_to_num(flow, nan=0.4) / 0.4) ** 1.6), 0.0)
    late = at_s > at_s[len(at_s) // 2]
    return Readings(
        at_s=at_s,
        restriction_pa=drop + rng.normal(0, 25, len(at_s)) + zero_after * late,
        air_mass_flow_kg_s=flow,
        engine_speed_rad_s=np.where(running, 180.0, 0.0),
        supply_voltage_v=np.where(running, 27.9, 25.0),
        **{name: np.full(len(at_s), value) for name, value in columns.items()},
    )


def only(readings, rows):
    """The same readings, some rows."""
    columns = {field.name: getattr(readings, field.name) for field in dataclasses.fields(readings)}
    return dataclasses.replace(readings, **{k: v[rows] for k, v in columns.items() if v is not None})


def assess(readings, *, after_s=600.0, **options):
    now = {"now_s": float(readings.at_s.max()) + after_s, "quiet_because": options.pop("quiet_because", None)}
    facts = HousingFacts(**{"terminal_pa": TERMINAL_PA, "reference_flow": 0.4, **options})
    return assess_housing(summarise_hours(readings), facts, **now)


def test_share_used_is_the_way_from_clean_to_terminal():
    found = assess(shift_work(days=20))  # 160 h of a 300 h life: e^(3 t) convexity leaves about a fifth used
    expected = 100 * np.expm1(3.0 * 160 / 300) / np.expm1(3.0)
    assert found.study.reference.basis == "flow"
    assert found.study.clean_pa == pytest.approx(CLEAN_PA, rel=0.05)
    assert found.study.share_used_percent == pytest.approx(expected, abs=4)
    assert found.study.life_hours == pytest.approx(160.0, rel=0.01)


@pytest.mark.parametrize(
    ("days", "life_h", "state"),
    [
        (20, 1000.0, "serving"),
        (20, 161.5, "due"),  # 160 h run: 97 % of the span, by the curve itself
        (20, 159.0, "over"),  # 102 %
        (20, 150.0, "over"),
        (20, 190.0, "plan"),
        (1, 3000.0, "serving"),
    ],
)
def test_states_follow_the_load(days, life_h, state):
    known = learn_fleet(
        [
            Life(**_made_life(life_h * factor), terminal_pa=TERMINAL_PA, complete=True)
            for factor in np.linspace(0.9, 1.1, 12)
        ]
    )
    assert assess(shift_work(days=days, life_h=life_h), fleet=known).state == state


def test_a_life_of_three_hours_is_running_in():
    readings = shift_work(days=1, life_h=3000.0)
    first = readings.at_s < readings.at_s[0] + 4 * 3600
    assert assess(only(readings, first)).state == "running-in"


@pytest.mark.parametrize(
    ("hours", "share", "state"),
    [
        (4, 1.6, "over"),
        (4, 0.97, "running-in"),  # only what lies beyond terminal is said before its time
        (2, 1.6, "running-in"),  # two hours are no level yet
    ],
)
def test_an_element_beyond_terminal_is_over_within_its_first_hours(hours, share, state):
    readings = shift_work(days=1, life_h=3000.0)
    readings = only(readings, readings.at_s < START_S + (6 + hours) * 3600)
    scale = share * TERMINAL_PA / CLEAN_PA
    found = assess(dataclasses.replace(readings, restriction_pa=readings.restriction_pa * scale))
    assert found.study.restriction_pa == pytest.approx(share * TERMINAL_PA, rel=0.03)
    assert found.state == state


def codes(found):
    return [statement.code for statement in found.evidence]


def said(found, code):
    """Values of the one statement of that code."""
    (values,) = [statement.values for statement in found.evidence if statement.code == code]
    return values


def _made_life(end_h):
    hours = np.linspace(1, end_h, 200)
    level = CLEAN_PA + (TERMINAL_PA - CLEAN_PA) * np.expm1(3 * hours / end_h) / np.expm1(3)
    return {"hours": hours, "restriction_pa": level}


def test_every_state_and_cause_gives_one_line_of_advice_with_a_caution():
    for advice in ADVICE.values():
        assert "\n" not in advice
        assert any(word in advice for word in ("Engine off", "engine maker", "check"))
    assert "Never run the engine with the element out" in ADVICE["advice_below_clean"]


def test_an_entered_change_begins_a_new_life_with_its_own_clean_level():
    readings = shift_work(days=20, life_h=150.0)
    changed_s = float(readings.at_s[len(readings.at_s) // 2])
    at_s, level = readings.at_s, readings.restriction_pa.copy()
    before = at_s < changed_s
    level[~before] = shift_work(days=20, life_h=1500.0).restriction_pa[~before]
    found = assess(dataclasses.replace(readings, restriction_pa=level), entries=(Entry(at_s=changed_s),))
    assert found.study.life_hours == pytest.approx(80.0, rel=0.05)
    assert found.study.share_used_percent < 10
    taught = housing_teaches(
        summarise_hours(dataclasses.replace(readings, restriction_pa=level)),
        HousingFacts(terminal_pa=TERMINAL_PA, entries=(Entry(at_s=changed_s),), reference_flow=0.4),
    )
    assert [life.complete for life in taught.lives] == [False, False]


def two_elements():
    """Changed after 20 of 40 days, each for 160 hours."""
    readings = shift_work(days=40, life_h=160.0)
    late = readings.at_s >= START_S + 20 * DAY_S
    level, flow = readings.restriction_pa.copy(), readings.air_mass_flow_kg_s.copy()
    level[late], flow[late] = level[: late.sum()], flow[: late.sum()]
    return dataclasses.replace(readings, restriction_pa=level, air_mass_flow_kg_s=flow)


def test_a_change_without_an_entry_is_found_and_begins_a_new_life():
    again = two_elements()
    found = assess(again)
    assert found.study.changes_found_s == pytest.approx([START_S + 20 * DAY_S + 6 * 3600], abs=8 * 3600)
    assert found.study.life_hours == pytest.approx(160.0, abs=8)
    entered = assess(again, entries=(Entry(at_s=START_S + 20 * DAY_S),))
    assert entered.study.changes_found_s == ()
    assert entered.study.life_hours == pytest.approx(160.0, rel=0.01)


def test_in_days_of_silence_the_hours_left_stand_and_the_date_is_as_wide_as_what_may_have_been_worked():
    """It may have stood since: then the date is three days later; or worked: then it is where it was."""
    readings = shift_work()
    soon, later = assess(readings), assess(readings, after_s=3 * DAY_S)
    assert later.study.hours_left == soon.study.hours_left
    assert later.due_s.p10 == pytest.approx(max(soon.due_s.p10 - 600.0, later.now_s), rel=1e-6)
    assert later.due_s.p50 - soon.due_s.p50 == pytest.approx((3 * DAY_S - 600.0) / 2, rel=0.01)
    assert later.due_s.p90 - soon.due_s.p90 == pytest.approx(3 * DAY_S - 600.0, rel=0.01)


def test_a_machine_out_of_coverage_works_on_so_its_date_stays():
    readings = shift_work()
    soon = assess(readings)
    later = assess(readings, after_s=3 * DAY_S, quiet_because="out_of_coverage")
    assert later.due_s.p50 == pytest.approx(soon.due_s.p50, abs=3600)


@pytest.mark.parametrize(
    ("options", "cause"),
    [
        ({"quiet_because": "out_of_coverage"}, "out_of_coverage"),
        ({"quiet_because": "device_fault"}, "device_fault"),
        ({}, "keyed_off"),
    ],
)
def test_silence_is_explained_by_what_the_server_knows_else_by_the_last_reading(options, cause):
    assert assess(shift_work(), after_s=DAY_S, **options).quiet_because == cause


def test_a_machine_heard_just_now_is_not_quiet():
    assert assess(shift_work()).quiet_because is None


def test_a_machine_that_went_quiet_in_mid_work_is_silent_for_a_reason_unknown():
    readings = shift_work(days=10, life_h=2000.0)
    cut = readings.at_s < readings.at_s[-1] - 4 * 3600
    found = assess(only(readings, cut), after_s=5 * DAY_S)
    assert (found.state, found.quiet_because) == ("silent", "unknown")


def standing(from_days, until_days):
    """The assessment a minute after the last reading: at work, and laid up from and until so many days."""
    readings = shift_work(days=36)
    now_s = float(readings.at_s.max()) + 60.0
    facts = HousingFacts(terminal_pa=TERMINAL_PA, reference_flow=0.4)
    study = assess_housing(summarise_hours(readings), facts, now_s=now_s).study
    laid_up = LayUp(now_s + from_days * DAY_S, now_s + until_days * DAY_S)
    return assess_study(study, now_s=now_s), assess_study(study, now_s=now_s, laid_up=laid_up)


def test_what_falls_into_a_lay_up_comes_as_much_later_and_nothing_is_to_be_planned_before():
    working, laid_up = standing(-1, 60)
    assert working.state == "plan"
    assert laid_up.state == "serving"
    for point in ("p10", "p50", "p90"):
        late_s = getattr(laid_up.due_s, point) - getattr(working.due_s, point)
        assert late_s == pytest.approx(60 * DAY_S, abs=1.0)


def test_a_lay_up_that_has_no_end_has_no_dates_and_one_that_is_over_moves_none():
    assert standing(-1, np.inf)[1].due_s is None
    for span in ((-9, -2), (900, 960)):
        working, found = standing(*span)
        assert found.due_s == working.due_s


def test_a_machine_that_is_laid_up_is_not_silent():
    readings = shift_work()
    facts = HousingFacts(terminal_pa=TERMINAL_PA, reference_flow=0.4)
    now_s = float(readings.at_s.max()) + 30 * DAY_S
    study = assess_housing(summarise_hours(readings), facts, now_s=now_s).study
    assert assess_study(study, now_s=now_s).state == "silent"
    assert (
        assess_study(study, now_s=now_s, laid_up=LayUp(now_s - 29 * DAY_S, now_s + DAY_S)).state != "silent"
    )


def laid_up_at(readings, now_s, **span_days):
    """The assessment of a machine that is laid up from and until so many days after its last reading."""
    last_s = float(readings.at_s.max())
    facts = HousingFacts(terminal_pa=TERMINAL_PA, reference_flow=0.4)
    study = assess_housing(summarise_hours(readings), facts, now_s=now_s).study
    laid_up = LayUp(last_s + span_days["start"] * DAY_S, last_s + span_days["end"] * DAY_S)
    return assess_study(study, now_s=now_s), assess_study(study, now_s=now_s, laid_up=laid_up)


def test_a_machine_that_works_while_it_is_laid_up_is_asked_about_and_keeps_the_dates_of_its_work():
    readings = shift_work(days=36)
    working, found = laid_up_at(readings, float(readings.at_s.max()) + 60.0, start=-6, end=60)
    assert working.worked_laid_up is None
    assert found.worked_laid_up is not None
    assert found.worked_laid_up.values["hours_per_day"] == pytest.approx(9.0, abs=1.0)
    assert (found.due_s, found.state) == (working.due_s, working.state)
    assert found.worked_laid_up in found.evidence


def test_the_day_on_which_a_machine_is_parked_and_a_trial_run_contradict_no_lay_up():
    readings = shift_work(days=36)
    now_s = float(readings.at_s.max()) + 60.0
    assert laid_up_at(readings, now_s, start=-1, end=60)[1].worked_laid_up is None
    assert laid_up_at(readings, now_s, start=-6, end=0)[1].worked_laid_up is None  # it is over
    of_day, from_s = (readings.at_s - START_S) % DAY_S / 60.0, float(readings.at_s.max()) - 6 * DAY_S
    short = only(readings, (readings.at_s < from_s) | (of_day < 420))  # an hour of each day from then on
    span = {"start": (from_s - float(short.at_s.max())) / DAY_S, "end": 60}
    assert laid_up_at(short, now_s, **span)[1].worked_laid_up is None


def test_silence_in_a_lay_up_counts_no_hours_and_moves_no_early_date():
    """Silent for a week, laid up since the day after the last reading: at most that day was worked."""
    readings = shift_work(days=36)
    now_s = float(readings.at_s.max()) + 7 * DAY_S
    working, found = laid_up_at(readings, now_s, start=1, end=60)
    assert 0.0 <= found.may_have_worked_hours <= 9.5 < working.may_have_worked_hours
    assert found.due_s.p10 >= float(readings.at_s.max()) + 60 * DAY_S
    assert found.due_s.p10 <= found.due_s.p50 <= found.due_s.p90
    assert "stands_laid_up" in {statement.code for statement in found.evidence}


def test_a_lay_up_that_passed_in_silence_counts_no_hours_either():
    readings = shift_work(days=36)
    now_s = float(readings.at_s.max()) + 30 * DAY_S
    working, found = laid_up_at(readings, now_s, start=0, end=29)
    assert found.may_have_worked_hours <= 9.5 < working.may_have_worked_hours
    assert found.due_s.p10 >= working.due_s.p10
    assert "stands_laid_up" not in {statement.code for statement in found.evidence}


def test_nothing_ever_heard_is_silent():
    found = assess_housing([], HousingFacts(terminal_pa=TERMINAL_PA), now_s=START_S)
    assert (found.state, found.study.hours_left, found.study.share_used_percent) == ("silent", None, None)


@pytest.mark.parametrize(
    ("readings", "options", "cause"),
    [
        ({"flat": True}, {}, "flat"),
        ({"zero_after": 500.0}, {}, "zero_moved"),
        ({"ambient_pressure_pa": 101_000.0, "altitude_m": 2600.0}, {}, "ambient"),
        ({}, {"terminal_pa": 25_000.0}, "terminal"),  # 25 inH2O entered as kPa
        ({}, {"terminal_pa": 6.2 * 249.08891}, "terminal"),  # 6.2 kPa entered as inH2O
    ],
)
def test_suspect_causes_are_found_in_the_data(readings, options, cause):
    found = assess(shift_work(**readings), **options)
    assert found.state == "suspect"
    assert cause in [suspicion.cause for suspicion in found.study.suspicions]


def test_a_torn_or_missing_element_is_suspect_below_the_clean_level():
    readings = shift_work(days=12, life_h=600.0)
    level = readings.restriction_pa.copy()
    level[readings.at_s > readings.at_s[-1] - 2 * DAY_S] *= 0.3
    found = assess(dataclasses.replace(readings, restriction_pa=level))
    assert (found.state, found.study.suspicions[0].cause) == ("suspect", "below_clean")
    assert found.advice.code == "advice_below_clean"


FELL_S = START_S + 34 * DAY_S  # after 272 h of a life of 300 h


def fallen(*, back_after_s=np.inf, **more):
    """A level that falls to four tenths at FELL_S, and is back from `back_after_s` on."""
    readings = shift_work(days=36, **more)
    low = (readings.at_s >= FELL_S) & (readings.at_s < back_after_s)
    return dataclasses.replace(readings, restriction_pa=readings.restriction_pa * np.where(low, 0.4, 1.0))


DENIAL = Entry(at_s=FELL_S + 6.2 * 3_600, what="nothing", name="denial")


def test_a_fall_that_a_person_denies_leaves_the_figures_of_before_and_asks_to_look():
    """A hose that was off and put back otherwise: the element is as full as it was."""
    readings = fallen()
    before = assess(only(readings, readings.at_s < FELL_S))
    found = assess(readings, entries=(DENIAL,))
    assert (found.state, found.study.suspicions[0].cause) == ("suspect", "fell_denied")
    assert found.advice.code == "advice_fell_denied"
    assert found.study.share_used_percent == pytest.approx(before.study.share_used_percent, abs=1.0)
    assert found.study.restriction_s < FELL_S
    assert found.study.hours_in_doubt == pytest.approx(16.0, abs=0.1)
    assert len(found.study.lives) == 1
    said = found.study.suspicions[0].evidence.values
    assert said["after_pa"] < 0.5 * said["before_pa"]


def test_a_denied_fall_is_over_once_the_readings_fit_again():
    back = assess(fallen(back_after_s=FELL_S + DAY_S), entries=(DENIAL,))
    usual = assess(shift_work(days=36))
    assert "fell_denied" not in [one.cause for one in back.study.suspicions]
    assert back.study.share_used_percent == pytest.approx(usual.study.share_used_percent, abs=1.0)


@pytest.mark.parametrize("what", ["inspected", "new"])
def test_a_denied_fall_is_over_once_a_person_looked_or_changed_the_element(what):
    looked = Entry(at_s=FELL_S + 1.2 * DAY_S, what=what, name="looked", confirmed=True)
    found = assess(fallen(), entries=(DENIAL, looked))
    assert "fell_denied" not in [one.cause for one in found.study.suspicions]
    assert found.study.restriction_s > FELL_S


def test_a_denial_without_a_fall_says_nothing():
    found = assess(shift_work(days=36), entries=(DENIAL,))
    assert "fell_denied" not in [one.cause for one in found.study.suspicions]


def test_ambient_pressure_that_fits_the_altitude_is_not_suspect():
    assert (
        assess(shift_work(life_h=1000.0, ambient_pressure_pa=73_500.0, altitude_m=2600.0)).study.suspicions
        == ()
    )


def test_without_a_terminal_value_there_is_no_share_and_no_forecast_but_a_level():
    found = assess(shift_work(), terminal_pa=None)
    assert found.study.restriction_pa is not None
    assert (found.study.share_used_percent, found.study.hours_left, found.due_s) == (None, None, None)
    assert found.advice.code == "advice_no_limit"
    assert found.evidence[0].code == "no_limit"


@pytest.mark.parametrize("life_h", [150.0, 100.0])
def test_beyond_terminal_most_likely_no_hours_are_left_and_it_is_due_now(life_h):
    """Whatever is learned; how late it may be goes by how far all levels may be off."""
    found = assess(shift_work(days=20, life_h=life_h))
    assert found.state == "over"
    left = found.study.hours_left
    assert left.p10 == left.p50 == 0.0 < left.p90 < 8.0
    assert found.due_s.p10 == found.due_s.p50 == found.now_s <= found.due_s.p90 < found.now_s + 2 * DAY_S


def test_an_element_just_below_its_limit_again_is_over_and_says_why_hours_are_left():
    """Beyond terminal, then a few hours that read a little lower: hysteresis keeps the state."""
    readings = shift_work(days=20, life_h=150.0)
    late = readings.at_s >= readings.at_s[-1] - 3 * 3600
    lower = np.where(late, readings.restriction_pa * 0.84, readings.restriction_pa)
    found = assess(dataclasses.replace(readings, restriction_pa=lower))
    assert found.state == "over"
    assert 97.0 < (found.study.share_used_percent or 0.0) < 100.0
    left = found.study.hours_left
    assert left.p10 == left.p50 == 0.0 < left.p90
    assert said(found, "just_below_limit")["leave_share"] == pytest.approx(0.97)
    beyond = assess(readings)
    assert "just_below_limit" not in codes(beyond)


def test_a_machine_seen_at_idle_only_is_not_reported_well():
    """Restriction goes with the flow: at idle it says little of what it is at work."""
    worked = shift_work(days=12, life_h=150.0)
    idle = dataclasses.replace(
        worked, air_mass_flow_kg_s=None, engine_speed_rad_s=np.where(worked.engine_speed_rad_s > 0, 78.0, 0.0)
    )
    found = assess(idle, reference_flow=None)
    assert found.state == "running-in"
    assert said(found, "reference_speed_idle")["reference_rad_s"] == pytest.approx(78.02, abs=0.01)
    assert assess(idle, reference_flow=78.0, reference_kind="engine_speed").state != "running-in"


def test_an_element_changed_before_the_first_reading_was_in_use_when_first_seen():
    """A person confirmed it. Its hours until then are not known; changed on the day of fitting, they are."""
    readings = shift_work(days=20, life_h=1000.0)
    for days_before, is_asked in ((90, True), (0.5, False)):
        found = assess(readings, entries=(Entry(at_s=START_S - days_before * DAY_S, confirmed=True),))
        assert found.study.lives[-1].began_by == "entered"
        assert ("entry_before_first_reading" in codes(found)) == is_asked
    summaries = summarise_hours(readings)
    for days_before, from_new in ((90, False), (0.5, True)):
        changed_s = START_S - days_before * DAY_S
        entries = (Entry(at_s=changed_s, confirmed=True),)
        facts = HousingFacts(entries=entries, terminal_pa=TERMINAL_PA, reference_flow=0.4)
        [life] = housing_teaches(summaries, facts).lives
        assert life.from_new == from_new


def test_a_change_entered_where_the_level_did_not_fall_is_asked_about():
    readings = shift_work(days=20, life_h=1000.0)
    found = assess(readings, entries=(Entry(at_s=START_S + 10.5 * DAY_S),))
    assert [entry.verdict for entry in found.study.questions] == ["did_not_fall"]
    changed = assess(two_elements(), entries=(Entry(at_s=START_S + 20 * DAY_S),))
    assert changed.study.questions == ()


@pytest.mark.parametrize(
    ("columns", "kind", "flow", "scaled_by"),
    [
        ({"boost_pressure_pa": 90_000.0}, "engine_speed", 209.4, "speed_density"),
        ({}, "air_mass_flow", 0.4, "engine_speed"),
        ({"engine_speed_rad_s": None}, "engine_speed", 209.4, "none"),
    ],
)
def test_an_entered_flow_that_is_not_used_says_so_and_what_to_do(columns, kind, flow, scaled_by):
    readings = shift_work(days=3)
    given = {n: v if v is None else np.full(len(readings.at_s), v) for n, v in columns.items()}
    readings = dataclasses.replace(readings, **{"air_mass_flow_kg_s": None, **given})
    found = assess(readings, reference_flow=flow, reference_kind=kind)
    assert said(found, "reference_unused") == {"entered_kind": kind, "flow_kind": scaled_by}
    assert not found.study.reference.reference_entered
    known = assess(shift_work(days=3), reference_flow=0.4, reference_kind="air_mass_flow")
    assert "reference_unused" not in codes(known)


@pytest.mark.parametrize(("terminal_pa", "because"), [(0.0, None), (-1.0, None), (6200.0, "asleep")])
def test_wrong_arguments_are_refused_with_value_and_rule(terminal_pa, because):
    with pytest.raises(WrongInput) as wrong:
        assess_housing([], HousingFacts(terminal_pa=terminal_pa), now_s=START_S, quiet_because=because)
    assert wrong.value.code == ("silence_unknown" if because else "limit_not_above_zero")


def test_a_state_does_not_flap_around_its_edge():
    share = np.array([0.94, 0.96, 0.94, 0.96, 0.93, 0.955, 0.935])
    states = [level_state(share[: i + 1]) for i in range(len(share))]
    assert sum(a != b for a, b in itertools.pairwise(states)) == 1
    assert level_state(np.array([1.01, 0.98])) == "over"
    assert level_state(np.array([1.01, 0.96])) == "due"
    assert level_state(np.array([1.01, 0.5])) == "serving"


def test_one_odd_hour_does_not_show():
    assert smoothed(np.array([1.0, 1.0, 9.0, 1.0, 1.0])).max() == 1.0
    assert smoothed(np.array([1.0, 1.0, 1.0, 9.0, 1.0, 1.0])).max() == 1.0


def test_duty_counts_whole_weeks_so_that_weekends_average_out():
    summaries = summarise_hours(shift_work(days=28))
    weekdays = [s for s in summaries if (s.hour_s - START_S) // DAY_S % 7 < 5]
    duty = learn_duty(weekdays)
    assert duty.hours_per_day == pytest.approx(8.0 * 5 / 7, rel=0.08)


def test_due_dates_keep_the_order_of_the_hours_and_never_lie_in_the_past():
    dates = due_dates_s(np.array([10.0, 20.0, 60.0]), Duty(8.0, 0.1, 28), from_s=5 * DAY_S)
    assert 5 * DAY_S <= dates[0] <= dates[1] <= dates[2]
    assert dates[1] == pytest.approx(5 * DAY_S + 20.0 / 8.0 * DAY_S)


def test_fleet_knowledge_goes_through_json_and_gives_the_same_forecast():
    lives = [
        Life(**_made_life(end), terminal_pa=TERMINAL_PA, complete=True, kind="grader")
        for end in (280, 300, 320, 310)
    ]
    known = learn_fleet(lives)
    again = FleetKnowledge.from_record(json.loads(json.dumps(known.as_record())))
    readings = shift_work()
    assert (
        assess(readings, fleet=known, kind="grader").study.hours_left
        == assess(readings, fleet=again, kind="grader").study.hours_left
    )
    assert learn_fleet(lives[::-1]).as_record() == known.as_record()


def test_fleet_knowledge_of_another_version_is_refused():
    with pytest.raises(WrongInput) as wrong:
        FleetKnowledge.from_record({"version": 0, "lives": []})
    assert (wrong.value.code, wrong.value.values["version"]) == ("fleet_version", 0)


def test_an_interval_is_wider_where_full_flow_was_learned_than_where_it_was_entered():
    lives = [
        Life(**_made_life(end), terminal_pa=TERMINAL_PA, complete=True) for end in np.linspace(270, 330, 12)
    ]
    readings, known = shift_work(days=25), learn_fleet(lives)
    entered, learned = assess(readings, fleet=known), assess(readings, fleet=known, reference_flow=None)
    assert learned.study.hours_left is not None
    assert entered.study.hours_left is not None
    wide, narrow = (left.p90 - left.p10 for left in (learned.study.hours_left, entered.study.hours_left))
    assert wide > 1.5 * narrow


def test_a_wrong_terminal_does_not_make_the_element_look_torn():
    """Terminal entered in a wrong unit is said; a clean level told from a share of it accuses no unit."""
    found = assess(shift_work(days=20), terminal_pa=62_000.0, terminal_entered=(62.0, "kPa"))
    assert [suspicion.cause for suspicion in found.study.suspicions] == ["terminal"]


@pytest.mark.parametrize(("taught_h", "says_so"), [(190.0, False), (900.0, True)])
def test_an_element_that_loads_unlike_those_learned_from_is_said_to(taught_h, says_so):
    """160 hours of a life of 190, where the others lasted as long, or 900 hours."""
    ends_h = taught_h * np.exp(np.linspace(-0.15, 0.15, 12))
    lives = [Life(**_made_life(end_h), terminal_pa=TERMINAL_PA, complete=True) for end_h in ends_h]
    found = assess(shift_work(days=20, life_h=190.0), fleet=learn_fleet(lives))
    assert ("outlier" in codes(found)) == says_so
