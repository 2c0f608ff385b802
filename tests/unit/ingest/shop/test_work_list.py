"""Which element is changed on which day, by hand-made candidates whose days can be counted."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from cleanside.ingest.planning.shop_terms import ShopTerms, WorkingDays
from cleanside.ingest.planning.visit_problem import outlook_of
from cleanside.ingest.restriction import Quantiles
from cleanside.ingest.restriction.forecast.duty import Duty
from cleanside.ingest.shop.unsure_dates import is_puzzling, unsure_because
from cleanside.ingest.shop.visit_inputs import PricedCandidate, visit_inputs
from cleanside.ingest.shop.work_list import (
    Candidate,
    ListDays,
    chance_at_limit,
    chance_needed,
    is_laid_up,
    jobs_of,
    last_day_in_time,
    later_of,
    needed_on,
)
from cleanside.ingest.store.papers import HousingPapers, MachinePapers, Papers, PlannedChange

ZONE = ZoneInfo("Europe/Vienna")
MONDAY = date(2026, 11, 30)
NOW_S = datetime(2026, 11, 30, 6, 40, tzinfo=ZONE).timestamp()
DAYS = ListDays(ZONE, NOW_S, before=MONDAY + timedelta(days=7))
DAY_S = 86_400.0


def due_in(early: float, likely: float, late: float) -> Quantiles:
    """Dates so many days from now."""
    return Quantiles(p10=NOW_S + early * DAY_S, p50=NOW_S + likely * DAY_S, p90=NOW_S + late * DAY_S)


CANDIDATE = Candidate(
    machine="grader-07",
    housing="main",
    papers=Papers(),
    plan=None,
    state="plan",
    due_s=due_in(3, 5, 9),
    hours_left=Quantiles(p10=15, p50=40, p90=70),
    life_hours=300.0,
    life_start_s=NOW_S - 100 * DAY_S,
    cleanings=0,
    duty=Duty(hours_per_day=8.0, spread=0.1, days=56),
    service_s=None,
    chance_allowed=0.1,
)


AFTER_LIST = MONDAY + timedelta(days=9)
#: the day of a service two days from Monday
WEDNESDAY_OFF = WorkingDays("1234567", frozenset({(MONDAY + timedelta(days=2)).isoformat()}))


def planned(on: date) -> Papers:
    return Papers(planned=PlannedChange(on.isoformat(), 0, 0, "k1", ""))


def days_and_reasons(*candidates: Candidate) -> list[tuple[int, str, str]]:
    """(days from Monday, machine, reason)"""
    jobs = jobs_of(candidates, DAYS)
    return [((job.day - MONDAY).days, job.candidate.machine, job.reason) for job in jobs]


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, [(3, "early_date")]),
        ({"state": "over"}, [(0, "over_limit")]),
        ({"state": "due"}, [(0, "change_due")]),
        ({"state": "suspect", "due_s": None}, [(0, "check_first")]),
        ({"due_s": due_in(7, 9, 12)}, []),  # its early date is after the list
        ({"due_s": None}, []),
        ({"plan": "open", "papers": planned(MONDAY + timedelta(days=4))}, [(4, "planned")]),
        ({"plan": "open", "state": "over", "papers": planned(MONDAY + timedelta(days=4))}, [(4, "planned")]),
        ({"plan": "open", "papers": planned(MONDAY + timedelta(days=9))}, []),
        (
            {"plan": "open", "state": "over", "papers": planned(MONDAY + timedelta(days=9))},
            [(0, "over_limit")],
        ),
        ({"plan": "missed", "papers": planned(MONDAY - timedelta(days=2))}, [(0, "plan_missed")]),
        ({"plan": "done", "papers": planned(MONDAY)}, [(3, "early_date")]),
        ({"service_s": NOW_S + 2 * DAY_S}, [(2, "service")]),
        ({"service_s": NOW_S + 3 * DAY_S}, [(3, "service")]),  # the last day within the chance allowed
        ({"service_s": NOW_S + 4 * DAY_S}, [(3, "early_date")]),  # after it: it may not last
        ({"service_s": NOW_S + 4 * DAY_S, "chance_allowed": 0.5}, [(4, "service")]),
        ({"service_s": NOW_S + 2 * DAY_S, "working": WEDNESDAY_OFF}, [(3, "early_date")]),
    ],
)
def test_the_day_follows_one_rule(changed: dict[str, object], expected: list[tuple[int, str]]) -> None:
    candidate = replace(CANDIDATE, **changed)  # type: ignore[arg-type]
    assert [(day, reason) for day, _, reason in days_and_reasons(candidate)] == expected


def test_the_list_is_by_day_then_site_then_urgency() -> None:
    def at(site: str, machine: str, state: str = "plan") -> Candidate:
        return replace(CANDIDATE, machine=machine, state=state, papers=Papers(MachinePapers(site=site)))

    found = days_and_reasons(
        at("kargrund", "d"), at("oberkies", "c", "suspect"), at("oberkies", "b", "over"), at("kargrund", "a")
    )
    assert found == [
        (0, "b", "over_limit"),
        (0, "c", "check_first"),
        (3, "a", "early_date"),
        (3, "d", "early_date"),
    ]


def test_a_machine_whose_engine_may_take_dust_comes_before_one_over_its_limit() -> None:
    """It stood after a limit in a wrong unit, by the letter of its name."""
    over = replace(CANDIDATE, machine="a", state="over")
    doubted = replace(CANDIDATE, machine="b", state="suspect")
    dust = replace(CANDIDATE, machine="c", state="suspect", lets_dust_in=True)
    assert [machine for _, machine, _ in days_and_reasons(over, doubted, dust)] == ["c", "a", "b"]


def test_a_machine_over_its_limit_comes_before_what_was_planned() -> None:
    def at(site: str, machine: str, **more: object) -> Candidate:
        papers = Papers(MachinePapers(site=site), planned=PlannedChange(MONDAY.isoformat(), 0, 0, "k1", ""))
        return replace(CANDIDATE, machine=machine, papers=papers, **more)  # type: ignore[arg-type]

    found = days_and_reasons(
        at("kargrund", "a", plan="open"),
        at("oberkies", "b", plan="missed"),
        at("oberkies", "c", plan="done", state="over"),
        at("oberkies", "d", plan="missed", state="over"),
    )
    assert found == [
        (0, "c", "over_limit"),
        (0, "d", "plan_missed"),
        (0, "b", "plan_missed"),
        (0, "a", "planned"),
    ]


@pytest.mark.parametrize(("day", "fit"), [(4, "will_not_last"), (2, None), (5, None)])
def test_a_change_planned_for_another_day_names_no_service(day: int, fit: str | None) -> None:
    planned = PlannedChange((MONDAY + timedelta(days=day)).isoformat(), 0, 0, "k1", "")
    papers = Papers(MachinePapers(site="kargrund"), planned=planned)
    candidate = replace(CANDIDATE, service_s=NOW_S + 4 * DAY_S, papers=papers, plan="open")
    [job] = jobs_of([candidate], DAYS)
    assert job.service_fit == fit, "planned with it or not, what may not last says so"


def test_a_service_is_taken_along_or_said_to_come_too_late() -> None:
    [with_it] = jobs_of([replace(CANDIDATE, service_s=NOW_S + 2 * DAY_S)], DAYS)
    [too_late] = jobs_of([replace(CANDIDATE, service_s=NOW_S + 4 * DAY_S)], DAYS)
    [far] = jobs_of([replace(CANDIDATE, service_s=NOW_S + 60 * DAY_S)], DAYS)
    assert [job.service_fit for job in (with_it, too_late, far)] == ["with_service", "will_not_last", None]
    assert too_late.service_on == MONDAY + timedelta(days=4)
    # On the fourth day, midnight: 3 days and 17 h 20 min from now, between early and likely.
    assert too_late.chance_at_service == pytest.approx(0.1 + 0.4 * (3 + 17.33 / 24 - 3) / 2, abs=0.01)


#: early in 20 days of 8 h: 160 h after today, of a likely life of 300 + 250 h
LONG = replace(CANDIDATE, due_s=due_in(20, 31, 50), hours_left=Quantiles(p10=160, p50=250, p90=400))
MONTH = ListDays(ZONE, NOW_S, before=MONDAY + timedelta(days=30))


@pytest.mark.parametrize(
    ("service", "day", "reason", "fit"),
    [
        (2, 20, "early_date", "too_early"),  # 18 days of 8 h before it: 144 of 550 h, 0.26 of its life
        (4, 4, "service", "with_service"),  # 16 days: 0.23
        (20, 20, "service", "with_service"),
    ],
)
def test_a_service_pulls_a_change_forward_by_a_quarter_of_the_life_at_most(
    service: int, day: int, reason: str, fit: str
) -> None:
    [job] = jobs_of([replace(LONG, service_s=NOW_S + service * DAY_S)], MONTH)
    assert ((job.day - MONDAY).days, job.reason, job.service_fit) == (day, reason, fit)
    assert (job.hours_given_with_service is not None) == (fit == "too_early")
    assert later_of([replace(LONG, service_s=NOW_S + service * DAY_S)], MONTH) == []


def test_an_element_that_has_used_little_is_not_thrown_away_for_a_stop() -> None:
    """Due early in 3 days, likely in 40: with the service of tomorrow 313 of 520 h would be given away."""
    young = replace(LONG, due_s=due_in(3, 40, 90), hours_left=Quantiles(p10=24, p50=320, p90=700))
    [job] = jobs_of([replace(young, life_hours=200.0, service_s=NOW_S + DAY_S)], MONTH)
    assert (job.reason, job.service_fit) == ("early_date", "too_early")
    # Until tomorrow, midnight, 17 h 20 min go by, of which the machine works a third.
    assert job.hours_given_with_service == pytest.approx(320 - 8 * 17.33 / 24, abs=0.1)
    [older] = jobs_of([replace(young, life_hours=400.0, service_s=NOW_S + DAY_S)], MONTH)
    assert (older.reason, older.service_fit) == ("service", "with_service")


def test_a_planned_day_names_no_service_that_comes_too_early() -> None:
    on = MONDAY + timedelta(days=9)
    [job] = jobs_of([replace(LONG, plan="open", papers=planned(on), service_s=NOW_S + 2 * DAY_S)], MONTH)
    assert (job.reason, job.service_fit) == ("planned", None)


def test_why_a_date_is_unsure_is_named_gravest_first_and_never_left_out() -> None:
    assert unsure_because("element", ["hours_judged"]) == ["little_used"]
    asked = [is_puzzling(*one) for one in (("serving", 70.0), ("plan", 14.0), ("plan", 80.0), ("plan", None))]
    assert asked == [True, True, False, False]
    assert unsure_because("fleet", ["duty_assumed", "work_not_read"]) == [
        *("other_elements", "not_read", "hours_assumed"),
    ]


def test_the_most_urgent_machine_never_waits_for_a_service_after_the_end_of_the_list() -> None:
    """Early on Wednesday, likely on the Thursday after, a service on the Wednesday between."""
    hauler = replace(CANDIDATE, due_s=due_in(2, 10, 20), service_s=NOW_S + 9 * DAY_S)
    [job] = jobs_of([hauler], DAYS)
    assert ((job.day - MONDAY).days, job.reason, job.service_fit) == (2, "early_date", "will_not_last")
    assert later_of([hauler], DAYS) == []


def test_what_is_asked_for_before_the_end_and_stands_after_it_is_named() -> None:
    laid_up = Papers(MachinePapers(laid_up_from="2026-11-01"))
    candidates = [
        replace(CANDIDATE, machine="a", plan="open", papers=planned(MONDAY + timedelta(days=9))),
        replace(CANDIDATE, machine="c", state="suspect", papers=laid_up),
        replace(
            CANDIDATE, machine="d", due_s=due_in(5, 9, 12), service_s=NOW_S + 8 * DAY_S, chance_allowed=0.5
        ),
        replace(CANDIDATE, machine="e", due_s=due_in(8, 9, 12)),
        replace(CANDIDATE, machine="f"),
    ]
    found = [
        (later.candidate.machine, later.reason, later.day and (later.day - MONDAY).days)
        for later in later_of(candidates, DAYS)
    ]
    assert found == [("a", "planned", 9), ("c", "laid_up", None), ("d", "service", 8)]


def test_the_list_takes_along_what_the_plan_of_visits_does() -> None:
    """Its last day in time is the last one in time of the plan, for every chance that a shop may allow."""
    for early in (0.2, 2.9, 3.0, 9.5):
        for allowed in (0.01, 0.1, 0.35, 0.5):
            candidate = replace(CANDIDATE, due_s=due_in(early, 11, 20), chance_allowed=allowed)
            priced = PricedCandidate(candidate=candidate, prices=None, extra_pa=None, extra_at_limit_pa=None)
            terms = ShopTerms(chance_allowed=allowed, working_days="1234567")
            problem = visit_inputs([priced], DAYS, entered=terms, trips={}, supplies={}, fixed={}).problem
            deadline = outlook_of(problem, problem.elements[0]).deadline
            assert last_day_in_time(candidate, DAYS) == problem.on(deadline)


def test_an_early_date_that_has_passed_leaves_the_chance_above_it() -> None:
    assert chance_at_limit(due_in(-1, 4, 8), NOW_S, NOW_S) == pytest.approx(0.1)
    assert chance_at_limit(due_in(-1, 4, 8), NOW_S + 2 * DAY_S, NOW_S) == pytest.approx(0.3)


def test_an_old_element_is_changed_by_the_calendar_however_clean() -> None:
    papers = Papers(housing=HousingPapers(calendar_limit_days=105))
    clean = replace(CANDIDATE, due_s=due_in(90, 100, 120), papers=papers)
    assert days_and_reasons(clean) == [(5, "grader-07", "calendar")]
    assert days_and_reasons(replace(clean, life_start_s=None)) == []  # no person saw it go in
    gone_by = replace(clean, papers=Papers(housing=HousingPapers(calendar_limit_days=50)))
    assert days_and_reasons(gone_by) == [(0, "grader-07", "calendar")]


def test_an_element_that_was_cleaned_as_often_as_it_may_be_is_said_to_be() -> None:
    papers = Papers(housing=HousingPapers(most_cleanings=2))
    [once], [twice] = (jobs_of([replace(CANDIDATE, papers=papers, cleanings=n)], DAYS) for n in (1, 2))
    assert (once.last_cleaning, twice.last_cleaning) == (False, True)


def test_what_is_laid_up_on_its_day_is_left_out() -> None:
    papers = Papers(MachinePapers(laid_up_from="2026-12-03", laid_up_until="2026-12-10"))
    assert days_and_reasons(replace(CANDIDATE, papers=papers)) == []
    assert days_and_reasons(replace(CANDIDATE, papers=papers, state="over")) == [
        (0, "grader-07", "over_limit")
    ]
    days = [date(2026, 12, d) for d in (2, 3, 10, 11)]
    assert [is_laid_up(papers, day) for day in days] == [False, True, True, False]
    assert is_laid_up(Papers(MachinePapers(laid_up_from="2026-12-03")), date(2030, 1, 1))


def test_a_machine_to_look_at_first_is_listed_before_its_lay_up_begins() -> None:
    """Monday is a day off, and it is laid up from Tuesday on: dust may reach the engine today."""
    working = WorkingDays("12345", frozenset({MONDAY.isoformat()}))
    papers = Papers(MachinePapers(laid_up_from="2026-12-01"))
    suspect = replace(CANDIDATE, papers=papers, state="suspect", due_s=None, working=working)
    assert days_and_reasons(suspect) == [(0, "grader-07", "check_first")]
    assert later_of([suspect], DAYS) == []
    stands = replace(suspect, papers=Papers(MachinePapers(laid_up_from="2026-11-30")))
    assert days_and_reasons(stands) == []
    [later] = later_of([stands], DAYS)
    assert later.reason == "laid_up"


def test_the_day_of_a_change_is_offered_though_no_other_change_could_be_put_there() -> None:
    """Else a form has no choice that leaves it where it is."""
    weekdays = WorkingDays("12345", frozenset({"2026-12-03"}))
    sunday, free, monday = (MONDAY + timedelta(days=n) for n in (6, 3, 0))
    for on, many in ((sunday, 15), (free, 15), (monday, 14)):
        at = replace(CANDIDATE, papers=planned(on), plan="open", working=weekdays)
        [job] = jobs_of([at], DAYS)
        days = [option.day for option in job.options[1:]]
        assert days == sorted({*days, on})
        assert len(days) == many  # fourteen working days and its own


def test_waiting_raises_the_chance_and_changing_early_loses_hours() -> None:
    [job] = jobs_of([CANDIDATE], DAYS)
    chances = [option.chance_at_limit_before for option in job.options[1:]]
    lost = [option.hours_lost for option in job.options[1:]]
    assert chances == sorted(chances, key=lambda c: c or 0.0)
    assert chances[0] == 0.0
    assert lost == sorted(lost, key=lambda h: -(h or 0.0))
    assert lost[0] == 40.0
    # On Wednesday at midnight 41 h 20 min are gone, of which the machine worked a third.
    assert lost[2] == pytest.approx(40 - 8 * 41.33 / 24, abs=0.1)


@pytest.mark.parametrize(
    ("days", "expected"),
    [(-1, 0.0), (0, 0.0), (3, 0.1), (4, 0.3), (5, 0.5), (9, 0.9), (10, 0.99), (900, 0.99)],
)
def test_the_chance_runs_in_straight_lines_through_the_dates(days: float, expected: float) -> None:
    due_s = due_in(3, 5, 9)
    at_s = NOW_S + days * DAY_S
    found = chance_at_limit(due_s, at_s, NOW_S)
    assert found == pytest.approx(expected, abs=1e-9)
    assert chance_at_limit(None, at_s, NOW_S) is None


def test_the_chance_is_that_of_numpys_lines_to_the_last_bit() -> None:
    """numpy.interp, also where dates have passed or fall together: the same numbers, ten times as fast."""
    rng = np.random.default_rng(3)
    for _ in range(2_000):
        early, likely, late = np.round(np.cumsum(rng.exponential(3, 3)) - rng.integers(0, 6), 1).tolist()
        due_s, at_s = due_in(early, likely, late), NOW_S + float(np.round(rng.uniform(-2, 20), 1)) * DAY_S
        if at_s < due_s.p90:
            known_s = np.maximum.accumulate([NOW_S, due_s.p10, due_s.p50, due_s.p90])
            lines = float(np.interp(at_s, known_s, [0.0, 0.1, 0.5, 0.9]))
            assert chance_at_limit(due_s, at_s, NOW_S) == lines


def test_an_element_is_needed_on_its_day_of_the_list_however_far() -> None:
    def needed(**changed: object) -> date | None:
        return needed_on(replace(CANDIDATE, **changed), DAYS)  # type: ignore[arg-type]

    assert needed() == MONDAY + timedelta(days=3)
    assert needed(state="over") == MONDAY
    assert needed(plan="open", papers=planned(MONDAY + timedelta(days=1))) == MONDAY + timedelta(days=1)
    assert needed(plan="open", papers=planned(MONDAY + timedelta(days=9))) == MONDAY + timedelta(days=9)
    assert needed(state="suspect") == MONDAY + timedelta(days=3), "it is looked at first"
    assert needed(papers=Papers(housing=HousingPapers(calendar_limit_days=102))) == MONDAY + timedelta(days=2)
    assert needed(due_s=None) is None
    assert chance_needed(replace(CANDIDATE, state="over"), MONDAY, DAYS) == 1.0
    assert chance_needed(replace(CANDIDATE, due_s=None), MONDAY, DAYS) == 0.0


def test_a_planned_day_has_one_chance_in_every_zone() -> None:
    """Planned in UTC, which begins the day an hour after Vienna in winter."""
    on = MONDAY + timedelta(days=4)
    end_us = round(datetime(2026, 12, 5, tzinfo=ZoneInfo("UTC")).timestamp() * 1e6)
    papers = Papers(planned=PlannedChange(on.isoformat(), end_us, 0, "k1", ""))
    [job] = jobs_of([replace(CANDIDATE, plan="open", papers=papers)], DAYS)
    begins_s = datetime(2026, 12, 4, tzinfo=ZoneInfo("UTC")).timestamp()
    assert job.own.chance_at_limit_before == chance_at_limit(CANDIDATE.due_s, begins_s, NOW_S)
    assert job.own.chance_at_limit_before != chance_at_limit(CANDIDATE.due_s, DAYS.start_s(on), NOW_S)
