"""Silence: what is known of a quiet machine, what is not, and how wide its due date is meanwhile."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from cleanside.ingest.restriction import HousingFacts, Readings, Study, assess, study_housing, summarise_hours
from cleanside.ingest.restriction.forecast.duty import learn_duty, usual_hours
from cleanside.ingest.restriction.verdict.assess import Assessment
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.shop.work_list import chance_by_risk

MONDAY_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
HOUR_S, DAY_S, WEEKS = 3600.0, 86_400.0, 6
TERMINAL_PA = 6200.0


def work(days: float, *, speed: bool) -> Readings:
    """Monday to Friday from six to two, a reading every five minutes, key off at the end of the shift."""
    at_s = MONDAY_S + np.arange(0.0, days * DAY_S, 300.0)
    hour, weekday = ((at_s - MONDAY_S) % DAY_S) / HOUR_S, (at_s - MONDAY_S) // DAY_S % 7
    powered = (hour >= 5.9) & (hour <= 14.1) & (weekday < 5)
    at_s, hour = at_s[powered], hour[powered]
    running = (hour >= 6) & (hour < 14)
    level = 1500.0 + 3600.0 * ((at_s - MONDAY_S) / (7 * WEEKS * DAY_S)) ** 2
    rng = np.random.default_rng(4)
    return Readings(
        at_s=at_s,
        restriction_pa=np.where(running, level, 0.0) + rng.normal(0, 20, len(at_s)),
        engine_speed_rad_s=np.where(running, 180.0, 0.0) if speed else None,
    )


@cache
def studied(days: float = 7.0 * WEEKS, *, speed: bool = True) -> Study:
    return study_housing(
        summarise_hours(work(days, speed=speed)), HousingFacts(terminal_pa=TERMINAL_PA)
    ).study


def seen(after_s: float, *, speed: bool = True, **known: object) -> Assessment:
    """So long after the last reading, which was on a Friday at two."""
    study = studied(speed=speed)
    assert study.last_s is not None
    return assess(study, now_s=study.last_s + after_s, **known)  # type: ignore[arg-type]


def test_usual_hours_follow_the_weeks_rhythm() -> None:
    duty = learn_duty(summarise_hours(work(7.0 * WEEKS, speed=True)))
    friday_s = MONDAY_S + 7 * WEEKS * DAY_S - 2 * DAY_S - 10 * HOUR_S
    assert usual_hours(duty, friday_s, friday_s) == 0.0
    assert usual_hours(duty, friday_s, friday_s + 2.5 * DAY_S) < 1.0
    assert usual_hours(duty, friday_s, friday_s + 7 * DAY_S) == pytest.approx(7 * duty.hours_per_day)
    assert usual_hours(duty, friday_s, friday_s + 3 * DAY_S) == pytest.approx(8.0, abs=1.0)


def test_a_key_off_explains_a_weekend_and_no_more() -> None:
    assert seen(2 * DAY_S).quiet_because == "keyed_off"
    later = seen(6 * DAY_S)
    assert later.quiet_because == "off_or_out_of_coverage"
    assert later.may_have_worked_hours == pytest.approx(4 * 8, abs=3)
    assert later.state != "silent"


def test_six_days_without_a_word_widen_the_date_by_what_may_have_been_worked() -> None:
    """Whether it worked on or stood, its date lies between early and late; likely lies between the two."""
    soon, later = seen(HOUR_S), seen(6 * DAY_S)
    on = seen(6 * DAY_S, quiet_because="out_of_coverage")
    assert soon.due_s is not None
    assert later.due_s is not None
    assert on.due_s is not None
    assert later.study.hours_left == soon.study.hours_left
    assert later.due_s.p10 == pytest.approx(max(soon.due_s.p10, later.now_s), abs=HOUR_S)
    assert later.due_s.p90 - soon.due_s.p90 > 3 * DAY_S
    assert on.due_s.p50 == pytest.approx(soon.due_s.p50, abs=HOUR_S)
    assert soon.due_s.p50 < later.due_s.p50 < later.due_s.p90


def test_the_date_grows_wider_with_usual_work_missed_and_not_over_a_night() -> None:
    def late_s(after_s: float) -> float:
        due_s = seen(after_s).due_s
        assert due_s is not None
        return due_s.p90

    night, weekend = late_s(3 * HOUR_S), late_s(2.5 * DAY_S)
    assert weekend == pytest.approx(night, abs=0.15 * DAY_S)
    late = [late_s(days * DAY_S) for days in (3, 4, 5, 6)]
    assert np.all(np.diff([weekend, *late]) > 0)


def test_a_machine_without_engine_speed_is_not_asked_after_each_weekend() -> None:
    weekend, missed = seen(2.6 * DAY_S, speed=False), seen(4 * DAY_S, speed=False)
    assert (weekend.quiet_because, weekend.state == "silent") == ("unknown", False)
    assert (missed.quiet_because, missed.state) == ("unknown", "silent")


def test_readings_known_to_wait_are_counted() -> None:
    found = seen(DAY_S, quiet_because="out_of_coverage", waiting=3_415)
    assert say("readings_waiting", waiting=3_415) in found.evidence


def test_what_arrives_is_not_silent_however_old_it_is() -> None:
    last_s = studied(speed=False).last_s
    assert last_s is not None
    now_s = last_s + 10 * DAY_S
    arrived = seen(10 * DAY_S, speed=False, received_s=now_s - 20)
    assert (arrived.quiet_because, arrived.state == "silent") == ("backlog_arrives", False)
    assert arrived.quiet_s == 10 * DAY_S
    said = say("backlog_arrives", measured_s=last_s, received_s=now_s - 20)
    assert said in arrived.evidence
    ended = seen(10 * DAY_S, speed=False, received_s=now_s - DAY_S)
    assert (ended.quiet_because, ended.state) == ("unknown", "silent")


def test_a_backlog_of_a_gateway_keeps_its_reason_and_is_not_silent_while_it_arrives() -> None:
    now_s = (studied(speed=False).last_s or 0.0) + 6 * DAY_S
    told = {"quiet_because": "out_of_coverage", "waiting": 50}
    arriving = seen(6 * DAY_S, speed=False, received_s=now_s - 20, **told)
    away = seen(6 * DAY_S, speed=False, received_s=now_s - 2 * DAY_S, **told)
    assert (arriving.quiet_because, arriving.state == "silent") == ("out_of_coverage", False)
    assert away.state == "silent"


@pytest.mark.parametrize("because", [None, "keyed_off", "out_of_coverage"])
def test_a_day_without_data_never_lowers_the_chance_of_being_at_the_limit(because: str | None) -> None:
    """By its likely dates the chance fell with each midnight, as if it were known that the machine stood."""
    hours = [0, *range(2, 24), *range(24, 14 * 24, 6)]  # within an hour it is not quiet yet
    found = [seen(hour * HOUR_S, quiet_because=because) for hour in hours]
    assert found[-1].due_s is not None
    assert found[0].due_s is not None
    for ahead in (0.5, 2.0, 4.0, 8.0, 16.0):
        day_s = found[0].now_s + ahead * DAY_S
        chances = [chance_by_risk(one.risk, day_s) for one in found if one.risk and one.now_s <= day_s]
        assert len(chances) > 10
        assert np.diff(chances).min() >= -1e-9
    passed = [chance_by_risk(one.risk, one.now_s) for one in found if one.risk]
    assert np.diff(passed).min() >= -1e-9, "of what has passed meanwhile"
    assert passed[-1] > passed[0]
