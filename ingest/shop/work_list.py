"""
The work list: which element is changed on which day, and why.

Promises: pure; equal candidates and days give equal lists. One rule for the day, in this order:
1. what a person planned stands on that day; a plan whose day passed without a change, as in 2, and so a
   machine over its limit whose day comes after the end of the list;
2. over the limit, at the limit, or figures that contradict each other: the first working day from today on,
   and the last are looked at today where a lay-up begins before that day: dust may reach the engine;
3. a service on a working day, up to the last day that the shop's chance allows: with the service, unless that
   gives away too much of the element's life (`comes_too_early`), as in the plan of visits;
4. the early date falls before the end of the list: on the last working day up to it;
5. the calendar limit of the element falls before the end of the list: on the last working day up to it.
Working days are those of the shop's terms for the plan. On a list without one, every day is a working day.
What should be changed before the end of the list, and yet stands on a later day or on a machine that is laid
up, is never left out without a word: `later_of` names it. A day that a person planned stands on the list
though its machine is laid up then: that is a question to them.
Within a day the site with the most urgent machine comes first. At a site a machine comes first whose engine
may take dust, then one over its limit, whatever was planned for it.
Leaves to others: the forecast (`ingest.restriction`), parts (`stock`), words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta, tzinfo
from functools import cached_property
from math import floor
from typing import Literal

from cleanside.ingest.planning.day_costs import DueDays, day_of_share
from cleanside.ingest.planning.shop_terms import EVERY_DAY, WorkingDays
from cleanside.ingest.restriction import Quantiles, Risk
from cleanside.ingest.restriction.forecast.duty import Duty, usual_hours, usual_hours_until
from cleanside.ingest.shop.day_asked import day_start_s
from cleanside.ingest.shop.planned import PlanState
from cleanside.ingest.shop.prices_used import ASSUMED_VISIT_SHARE
from cleanside.ingest.store.papers import Papers

Reason = Literal[
    "over_limit", "change_due", "check_first", "plan_missed", "planned", "service", "early_date", "calendar"
]
#: with_service: it is on the day of the change. will_not_last: it comes soon, but after the last day in time,
#: also where the change is planned with it
#: too_early: it comes before the day, and the change is not made with it, because of the life given away
ServiceFit = Literal["with_service", "will_not_last", "too_early"]
#: why a change stands after the end of the list: on a day that a person planned, with a service within the
#: chance that the shop allows; or it stands nowhere, because its machine is laid up
LaterReason = Literal["planned", "service", "laid_up"]

AT_ONCE: dict[str, Reason] = {"over": "over_limit", "due": "change_due", "suspect": "check_first"}
#: most urgent first, within a day
RANK: tuple[Reason, ...] = (
    *("over_limit", "plan_missed", "change_due", "check_first"),
    *("service", "planned", "early_date", "calendar"),
)
CHOSEN = frozenset[Reason](("planned", "plan_missed"))  # by a person
MOST_DAYS = 62  # of a list; chosen: two months ahead nothing is known by the day
OFFERED_BEYOND_DAYS = 14  # beyond the end of a list a change is moved at once; chosen
SERVICE_SEEN_DAYS = 14  # so long after its likely date a service is worth a word (chosen)
#: of an element's likely life, given away by a change with a service before its early date, and before its
#: likely one, at the prices that a plan assumes; at others in proportion to `visit_share`. Chosen: at the
#: assumed prices that share is 0.36, and giving it away costs as much as the visit; but each opening lets
#: dust in, and a date that is so unsure is no reason to throw half away
MOST_BEFORE_EARLY, MOST_BEFORE_LIKELY = 0.25, 0.5
NOON_H = 12  # from then on visits are planned from tomorrow on (chosen: they need some hours' notice)
DAY_S = 86_400
DAY_PARTS = 4  # dates are taken to a quarter of a day, so that a plan stays the same while nothing happens
CLOSE_DAYS = 1e-3


@dataclass(frozen=True, kw_only=True)
class Candidate:
    """A housing as the list sees it. Instants in seconds since 1970 UTC; None: not known."""

    machine: str
    housing: str
    papers: Papers
    plan: PlanState | None  # None: no day is planned
    state: str
    due_s: Quantiles | None
    hours_left: Quantiles | None  # operating hours
    life_hours: float | None
    life_start_s: float | None
    cleanings: int
    duty: Duty
    service_s: float | None  # when the next service falls, by meter or date, whichever is first
    chance_allowed: float  # that the limit is reached before a change, by the shop's terms; 0 to 1
    visit_share: float = ASSUMED_VISIT_SHARE  # of a visit in what element and visit cost, 0 to 1
    working: WorkingDays = EVERY_DAY  # of the shop
    lets_dust_in: bool = False  # it is suspected to stand without a sound element, or a tube to be off
    asks_to_look: bool = False  # a person is asked whether a sound element is in
    risk: Risk | None = None  # what the chance goes by; None: by `due_s`, as known now

    @property
    def at_once(self) -> Reason | None:
        """Why it is gone to now, whatever is forecast; None: it is not."""
        return "check_first" if self.asks_to_look else AT_ONCE.get(self.state)


@dataclass(frozen=True, kw_only=True)
class DayOption:
    """What a day means for a change."""

    day: date
    chance_at_limit_before: float | None  # 0 to 1; None: no dates
    hours_lost: float | None  # operating hours that the element would likely have lasted longer


@dataclass(frozen=True, kw_only=True)
class Job:
    """A change on a day."""

    candidate: Candidate
    day: date
    reason: Reason
    service_fit: ServiceFit | None
    service_on: date | None
    chance_at_service: float | None  # that the limit is reached before the service, 0 to 1
    hours_given_with_service: float | None  # operating hours that it likely lasts longer; None: not too early
    calendar_on: date | None  # the element's calendar limit
    last_cleaning: bool  # it was cleaned as often as it may be
    options: tuple[DayOption, ...]  # its own day, then each day that is offered, its own among them

    @property
    def own(self) -> DayOption:
        """What its own day means."""
        return self.options[0]


@dataclass(frozen=True, kw_only=True)
class Later:
    """A change that should be made before the end of the list, and stands after it or nowhere."""

    candidate: Candidate
    reason: LaterReason
    day: date | None  # None: its machine is laid up
    chance_at_limit_before: float | None  # before that day, 0 to 1


class ListDays:
    """Calendar days where the reader is."""

    def __init__(self, zone: tzinfo, now_s: float, *, before: date) -> None:
        """before : the first day that is no longer on the list."""
        self.zone = zone
        self.now_s = now_s
        self.today = self.of(now_s)
        self.before = before
        #: every machine asks for the same few days
        self._starts_s: dict[date, float] = {}
        self._offered: dict[WorkingDays, list[date]] = {}
        self._listed: dict[int, tuple[Candidate, tuple[date, Reason] | None]] = {}
        self._at_once: dict[WorkingDays, date] = {}
        self._in_time: dict[tuple[WorkingDays, date], date] = {}

    def of(self, at_s: float) -> date:
        """The day of an instant; beyond the calendar its last day."""
        try:
            return datetime.fromtimestamp(at_s, self.zone).date()
        except (OverflowError, ValueError):
            return date.max

    def start_s(self, day: date) -> float:
        """When a day begins [s]."""
        if day not in self._starts_s:
            self._starts_s[day] = datetime.combine(day, time(), self.zone).timestamp()
        return self._starts_s[day]

    @cached_property
    def first_of_plan(self) -> date:
        """The first day of a plan of visits that is made now."""
        is_early = datetime.fromtimestamp(self.now_s, self.zone).hour < NOON_H
        return self.today if is_early else self.today + timedelta(days=1)

    def listed(self) -> list[date]:
        """The days of the list."""
        return [self.today + timedelta(days=n) for n in range((self.before - self.today).days)]

    def offered(self, working: WorkingDays) -> list[date]:
        """The working days to which a change can be moved: those of the list, and some beyond its end."""
        if working not in self._offered:
            last = self.listed()[-1]
            beyond = [last + timedelta(days=n + 1) for n in range(OFFERED_BEYOND_DAYS)]
            self._offered[working] = [day for day in (*self.listed(), *beyond) if working.has(day)]
        return self._offered[working]

    def at_once(self, working: WorkingDays) -> date:
        """The first working day from today on."""
        if working not in self._at_once:
            self._at_once[working] = working.first(self.today, self.before)
        return self._at_once[working]

    def in_time(self, working: WorkingDays, day: date) -> date:
        """The last working day up to a day, from today on."""
        if (working, day) not in self._in_time:
            self._in_time[working, day] = working.last(max(self.today, day), self.today, self.before)
        return self._in_time[working, day]

    def listed_day(self, candidate: Candidate) -> tuple[date, Reason] | None:
        """`listed_day` of a candidate, worked out once: jobs, parts and what is left out ask for it."""
        of, found = self._listed.get(id(candidate), (None, None))
        if of is not candidate:
            found = _listed_day(candidate, self)
            self._listed[id(candidate)] = (candidate, found)
        return found


def jobs_of(candidates: Sequence[Candidate], days: ListDays) -> list[Job]:
    """The work list, by day, site, urgency and name; sites by their most urgent machine of the day."""
    found = [job for candidate in candidates if (job := _job(candidate, days)) is not None]
    most_urgent: dict[tuple[date, str], int] = {}
    for job in found:
        place = (job.day, _site(job))
        most_urgent[place] = min(_rank(job), most_urgent.get(place, len(RANK)))
    return sorted(
        found,
        key=lambda job: (
            job.day,
            most_urgent[job.day, _site(job)],
            _site(job),
            _rank(job),
            job.candidate.machine,
            job.candidate.housing,
        ),
    )


def later_of(candidates: Sequence[Candidate], days: ListDays) -> list[Later]:
    """What should be changed before the end of the list, and does not stand on it; by name."""
    found = [later for candidate in candidates if (later := _later(candidate, days)) is not None]
    return sorted(found, key=lambda later: (later.candidate.machine, later.candidate.housing))


def urgency(job: Job) -> tuple[date, int, str, str]:
    """The sort key of a change among all sites, most urgent first."""
    return job.day, _rank(job), job.candidate.machine, job.candidate.housing


def _site(job: Job) -> str:
    return job.candidate.papers.machine.site or ""


def _rank(job: Job) -> int:
    """
    Place within a day and site.

    One whose engine may take dust comes first, then one over its limit, also where a day was planned.
    """
    if job.candidate.lets_dust_in:
        return -1
    return RANK.index("over_limit" if job.candidate.state == "over" else job.reason)


def listed_day(candidate: Candidate, days: ListDays) -> tuple[date, Reason] | None:
    """The day of a change by the rule at the top, however far, and why; None: it is not seen yet."""
    return days.listed_day(candidate)


def _listed_day(candidate: Candidate, days: ListDays) -> tuple[date, Reason] | None:
    at_once = days.at_once(candidate.working)
    if candidate.plan == "missed":
        return at_once, "plan_missed"
    planned = _planned_day(candidate, days)
    waits = planned is not None and planned >= days.before and candidate.state == "over"
    if planned is not None and not (waits and not is_laid_up(candidate.papers, at_once)):
        return planned, "planned"
    if (reason := candidate.at_once) is not None:
        return _before_lay_up(candidate, at_once, reason, days), reason
    return min(_by_forecast(candidate, days), default=None)


def _before_lay_up(candidate: Candidate, at_once: date, reason: Reason, days: ListDays) -> date:
    """What is to be looked at first does not wait for a lay-up to end, nor stand in it without a word."""
    works_today = not is_laid_up(candidate.papers, days.today)
    if reason == "check_first" and works_today and is_laid_up(candidate.papers, at_once):
        return days.today
    return at_once


def chance_at_limit(due_s: Quantiles | None, at_s: float, now_s: float) -> float | None:
    """
    Chance that an element reaches its limit before an instant, 0 to 1; None where there are no dates.

    Straight lines between what is stated: 0 now, 10 % at the early date, 50 % at the likely, 90 % at the
    late one. Beyond that the last line goes on to 99 %: a forecast never says certainly.
    """
    if due_s is None:
        return None
    if at_s >= due_s.p90:
        width_s = max(due_s.p90 - due_s.p50, 1.0)
        return min(0.99, 0.9 + 0.4 * (at_s - due_s.p90) / width_s)
    if at_s < now_s:
        return 0.0
    lower_s, below = now_s, 0.0
    for upper_s, above in ((due_s.p10, 0.1), (due_s.p50, 0.5), (due_s.p90, 0.9)):
        upper_s = max(upper_s, lower_s)  # a date may have passed
        if at_s < upper_s:
            return (above - below) / (upper_s - lower_s) * (at_s - lower_s) + below
        lower_s, below = upper_s, above
    return below


def chance_at(candidate: Candidate, at_s: float, days: ListDays) -> float | None:
    """Chance that its limit is reached before an instant, by its readings, 0 to 1; None: no dates."""
    if candidate.risk is None:
        return chance_at_limit(candidate.due_s, max(days.now_s, at_s), days.now_s)
    return chance_by_risk(candidate.risk, at_s)


def chance_by_risk(risk: Risk, at_s: float) -> float:
    """Chance that an element reaches its limit before an instant, 0 to 1; what has passed counts as now."""
    found = chance_at_limit(risk.due_s, max(risk.judged_s, at_s), risk.known_s)
    assert found is not None
    return found


def first_day(days: ListDays) -> date:
    """The first day of a plan of visits that is made now."""
    return days.first_of_plan


def risk_days(candidate: Candidate, days: ListDays) -> DueDays | None:
    """What the chance of a quiet machine goes by, in days from the first one of a plan; None: its dates."""
    if candidate.risk is None or not candidate.risk.is_quiet:
        return None
    return due_days(candidate.risk.due_s, days, known_s=candidate.risk.known_s)


def due_days(due_s: Quantiles | None, days: ListDays, *, known_s: float | None = None) -> DueDays:
    """
    The dates of a forecast in days from the first one of a plan; without a forecast it is at its limit.

    known_s : when they were last known; None: now.
    """
    if due_s is None:
        return DueDays(early=0.0, likely=0.0, late=0.0)
    start_s = days.start_s(first_day(days))
    points = (due_s.p10, due_s.p50, due_s.p90)
    # Down, never up: on the last day that is allowed the chance that is said would be above the one allowed.
    early, likely, late = (floor((at_s - start_s) / DAY_S * DAY_PARTS) / DAY_PARTS for at_s in points)
    said_s = days.now_s if known_s is None else known_s
    now = floor((said_s - start_s) / DAY_S * DAY_PARTS) / DAY_PARTS
    return DueDays(early=early, likely=likely, late=late, now=min(now, 0.0))


def last_day_in_time(candidate: Candidate, days: ListDays) -> date:
    """The last day on which the plan of visits would plan a change within the chance that the shop allows."""
    risk, allowed = risk_days(candidate, days), candidate.chance_allowed
    in_days = (
        day_of_share(due_days(candidate.due_s, days), allowed)
        if risk is None
        else max(0.0, day_of_share(risk, allowed))
    )
    return first_day(days) + timedelta(days=floor(in_days + CLOSE_DAYS))


def service_day(candidate: Candidate, days: ListDays) -> date | None:
    """The day on which the next service of its machine likely falls; None: it is not known."""
    return None if candidate.service_s is None else max(days.today, days.of(candidate.service_s))


def service_fit(candidate: Candidate, on: date, days: ListDays) -> ServiceFit | None:
    """
    What the next service means for a change on a day. The work list and the plan of visits say it from here.

    None: the service is far off, not known, or before that day and not too early; the element is at its limit
    now; or a person planned the day, and the service is on another.
    """
    service_on, planned_on = service_day(candidate, days), _planned_day(candidate, days)
    if service_on is None or candidate.due_s is None or candidate.state == "over":
        return None
    if planned_on == on != service_on:
        return None
    in_time = service_on <= last_day_in_time(candidate, days)
    if service_on == on:
        return "with_service" if in_time else "will_not_last"
    if service_on < on:
        is_offered = candidate.working.has(service_on) and comes_too_early(candidate, service_on, days)
        return "too_early" if is_offered else None
    seen_until = days.of(candidate.due_s.p50 + SERVICE_SEEN_DAYS * DAY_S)
    return "will_not_last" if not in_time and service_on <= seen_until else None


def hours_given_with_service(candidate: Candidate, on: date, days: ListDays) -> float | None:
    """Operating hours that a change with a service that comes too early gives away; None: it does not."""
    service_on = service_day(candidate, days)
    if service_on is None or service_fit(candidate, on, days) != "too_early":
        return None
    return _option(candidate, service_on, days).hours_lost


def chance_at_service(candidate: Candidate, days: ListDays) -> float | None:
    """Chance that its limit is reached before the day of the next service, 0 to 1; None: not known."""
    service_on = service_day(candidate, days)
    if service_on is None:
        return None
    return chance_at(candidate, days.start_s(service_on), days)


def is_laid_up(papers: Papers, day: date) -> bool:
    """Does the machine stand still for long on a day; no, once its readings contradict that."""
    since, until = papers.machine.laid_up_from, papers.machine.laid_up_until
    if since is None or not papers.lay_up_holds or day < date.fromisoformat(since):
        return False
    return until is None or day <= date.fromisoformat(until)


def needed_on(candidate: Candidate, days: ListDays) -> date | None:
    """
    The day on which its next element is needed: its day on the list, however far; None: it cannot be said.

    What is only to be looked at needs none yet: then the day of the forecast.
    """
    found = listed_day(candidate, days)
    if found is not None and found[1] == "check_first":
        found = min(_by_forecast(candidate, days), default=None)
    return None if found is None else found[0]


def last_day_allowed(candidate: Candidate, days: ListDays) -> date | None:
    """
    The last day on which its element should be changed, whatever is planned; None: not in sight.

    By its readings within the chance that the shop allows, as in the plan of visits, and by its age. What is
    only to be looked at has none yet.
    """
    if candidate.state in ("over", "due"):
        return days.today
    by_readings = None if candidate.due_s is None else max(days.today, last_day_in_time(candidate, days))
    known = [day for day in (by_readings, calendar_limit(candidate, days)) if day is not None]
    return None if candidate.at_once == "check_first" else min(known, default=None)


def chance_needed(candidate: Candidate, day: date, days: ListDays) -> float:
    """Chance that its next element is needed before the end of a day, 0 to 1."""
    planned, limit = _planned_day(candidate, days), calendar_limit(candidate, days)
    certain = candidate.state in ("over", "due") or any(d is not None and d <= day for d in (planned, limit))
    if certain:
        return 1.0
    end_s = days.start_s(day + timedelta(days=1))
    return chance_at(candidate, end_s, days) or 0.0


def calendar_limit(candidate: Candidate, days: ListDays) -> date | None:
    """The day on which the element is too old, however clean; None: no limit, or its day is not known."""
    limit = candidate.papers.housing.calendar_limit_days
    if limit is None or candidate.life_start_s is None:
        return None
    return days.of(candidate.life_start_s) + timedelta(days=limit)


# ---------------------------------------------------------------- one machine


def _job(candidate: Candidate, days: ListDays) -> Job | None:
    found = listed_day(candidate, days)
    if found is None or found[0] >= days.before or _stands_still(candidate, *found):
        return None
    day, reason = found
    return Job(
        candidate=candidate,
        day=day,
        reason=reason,
        service_fit=service_fit(candidate, day, days),
        service_on=service_day(candidate, days),
        chance_at_service=chance_at_service(candidate, days),
        hours_given_with_service=hours_given_with_service(candidate, day, days),
        calendar_on=calendar_limit(candidate, days),
        last_cleaning=_is_last_cleaning(candidate),
        options=_options(candidate, (day, *_offered(candidate, day, days)), days),
    )


def _offered(candidate: Candidate, day: date, days: ListDays) -> list[date]:
    """The working days to which a change can be moved, and the day on which it stands, in order."""
    return sorted({day, *days.offered(candidate.working)})


def _stands_still(candidate: Candidate, day: date, reason: Reason) -> bool:
    """Is its machine laid up on a day that no person chose."""
    return reason not in CHOSEN and is_laid_up(candidate.papers, day)


def _later(candidate: Candidate, days: ListDays) -> Later | None:
    found, wanted_on = listed_day(candidate, days), _wanted_by(candidate, days)
    if found is None or wanted_on is None or wanted_on >= days.before:
        return None
    day, reason = found
    if _stands_still(candidate, day, reason) or (day >= days.before and is_laid_up(candidate.papers, day)):
        return Later(candidate=candidate, reason="laid_up", day=None, chance_at_limit_before=None)
    if day < days.before:
        return None
    chance = chance_before(candidate, day, days)
    why: LaterReason = "planned" if reason == "planned" else "service"
    return Later(candidate=candidate, reason=why, day=day, chance_at_limit_before=chance)


def _wanted_by(candidate: Candidate, days: ListDays) -> date | None:
    """When its readings or its age ask for a change, whatever was planned; None: not in sight."""
    if candidate.at_once is not None:
        return days.today
    early = () if candidate.due_s is None else (days.of(candidate.due_s.p10),)
    limit = calendar_limit(candidate, days)
    return min((*early, *(() if limit is None else (limit,))), default=None)


def _by_forecast(candidate: Candidate, days: ListDays) -> list[tuple[date, Reason]]:
    found: list[tuple[date, Reason]] = []
    if candidate.due_s is not None:
        service_on = service_day(candidate, days)
        is_listed = service_on is not None and candidate.working.has(service_on)
        is_listed = is_listed and service_on is not None and not comes_too_early(candidate, service_on, days)
        if service_on is not None and is_listed and service_on <= last_day_in_time(candidate, days):
            found.append((service_on, "service"))
        else:
            found.append((days.in_time(candidate.working, days.of(candidate.due_s.p10)), "early_date"))
    if (limit := calendar_limit(candidate, days)) is not None:
        found.append((days.in_time(candidate.working, limit), "calendar"))
    return found


def comes_too_early(candidate: Candidate, service_on: date, days: ListDays) -> bool:
    """Does a change with this service give away more of the element's likely life than the visit is worth."""
    if candidate.due_s is None or candidate.hours_left is None:
        return False
    start_s = max(days.now_s, days.start_s(service_on))
    before_early_h = usual_hours(candidate.duty, start_s, max(start_s, candidate.due_s.p10))
    before_likely_h = _option(candidate, service_on, days).hours_lost or 0.0
    life_h = (candidate.life_hours or 0.0) + candidate.hours_left.p50
    worth_h = life_h * candidate.visit_share / ASSUMED_VISIT_SHARE
    return before_early_h > MOST_BEFORE_EARLY * worth_h or before_likely_h > MOST_BEFORE_LIKELY * worth_h


def _planned_day(candidate: Candidate, days: ListDays) -> date | None:
    if candidate.plan not in ("open", "missed") or candidate.papers.planned is None:
        return None
    return max(days.today, date.fromisoformat(candidate.papers.planned.planned_on))


def _is_last_cleaning(candidate: Candidate) -> bool:
    most = candidate.papers.housing.most_cleanings
    return most is not None and candidate.cleanings >= most


def chance_before(candidate: Candidate, day: date, days: ListDays) -> float | None:
    """Chance that its limit is reached before a day, 0 to 1; None: no dates. The plan says the same."""
    if candidate.state == "over":
        return 1.0
    start_s, planned = days.start_s(day), candidate.papers.planned
    if candidate.plan == "open" and planned is not None and planned.planned_on == day.isoformat():
        start_s = day_start_s(planned.passes_us)  # where it was planned, as the pages of the machine say it
    return chance_at(candidate, start_s, days)


def _option(candidate: Candidate, day: date, days: ListDays) -> DayOption:
    """What a change on a day means: the chance of being too late, and what is lost by being early."""
    return _options(candidate, (day,), days)[0]


def _options(candidate: Candidate, every: Sequence[date], days: ListDays) -> tuple[DayOption, ...]:
    """The same of several days."""
    lost: Sequence[float | None] = [None] * len(every)
    if candidate.hours_left is not None:
        starts_s = [max(days.now_s, days.start_s(day)) for day in every]
        likely_h = candidate.hours_left.p50
        lost = [max(0.0, likely_h - h) for h in usual_hours_until(candidate.duty, days.now_s, starts_s)]
    return tuple(
        DayOption(day=day, chance_at_limit_before=chance_before(candidate, day, days), hours_lost=hours)
        for day, hours in zip(every, lost, strict=True)
    )
