"""
Matters that cannot wait: what is wrong now, and what became of each since.

Promises: pure. A matter is worth a message as it opens, each time it becomes worse than it ever was, and as
it is settled. Where nothing can be said for the moment, it stays as it is.
Leaves to others: who gets a message (`ingest.messages.telling`), the rows (`ingest.store.matters`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cleanside.ingest.analysis.assessment import View, gauge_unit
from cleanside.ingest.analysis.concerns import DECLARED_FOR_US, NEEDS_NO_PERSON
from cleanside.ingest.restriction import Assessment
from cleanside.ingest.store.backup_record import BackupRecord
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.matters import Matter

OVER_LIMIT, CHECK_FIRST, UNBALANCED, LOSS, BACKUP = (
    *("over_limit", "check_first", "out_of_balance", "loss_declared", "backup_failed"),
)
#: kind of matter -> the permission that whoever hears of it needs
MATTER_KINDS: Mapping[str, str] = {
    OVER_LIMIT: "fleet:read",
    CHECK_FIRST: "fleet:read",
    UNBALANCED: "account:read",
    LOSS: "account:read",
    BACKUP: "metrics:read",
}
OPENED, WORSE, SETTLED = "opened", "worse", "settled"

BACKUPS_STEP = 7  # failed in a row; so many more are a worse matter: a week of nights; chosen
OVER_STEP_PERCENT = 25.0  # beyond the limit; each more is a worse matter; chosen
DUST = 2  # severity of a matter to check first by which dust may reach the engine
#: state of a housing -> kind of matter that it is
BY_STATE: Mapping[str, str] = {"over": OVER_LIMIT, "suspect": CHECK_FIRST}
#: kind -> states in which nothing can be said of it: an element does not get clean by being silent
_LEAVE_OPEN: Mapping[str, frozenset[str]] = {
    OVER_LIMIT: frozenset({"over", "silent", "suspect"}),
    CHECK_FIRST: frozenset({"suspect", "silent"}),
}
#: kind, subject
Name = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenMatter:
    """Something that is wrong now."""

    kind: str
    subject: str
    #: None: it is for who sees all sites
    site: str | None
    #: more is worse; what it counts depends on the kind
    severity: int
    about: Mapping[str, Any]

    @property
    def name(self) -> Name:
        """What it has in common with its matter."""
        return self.kind, self.subject


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was seen of an owner."""

    findings: tuple[SeenMatter, ...]
    #: matters that stay as they are, because nothing can be said of them
    unknown: frozenset[Name]


@dataclass(frozen=True, slots=True, kw_only=True)
class MatterChange:
    """What became of a matter."""

    what: str
    #: None: it is new
    matter: Matter | None
    #: None: it is settled
    finding: SeenMatter | None


def changes_of(known: Sequence[Matter], look: Look) -> list[MatterChange]:
    """What to tell: settled matters first, then new ones and those that became worse."""
    found = {finding.name: finding for finding in look.findings}
    by_name = {(matter.kind, matter.subject): matter for matter in known}
    settled = [
        MatterChange(what=SETTLED, matter=matter, finding=None)
        for name, matter in by_name.items()
        if name not in found and name not in look.unknown
    ]
    news = [_news(by_name.get(name), finding) for name, finding in found.items() if name not in look.unknown]
    return settled + [change for change in news if change is not None]


def _news(matter: Matter | None, finding: SeenMatter) -> MatterChange | None:
    if matter is None:
        return MatterChange(what=OPENED, matter=None, finding=finding)
    if finding.severity > matter.severity:
        return MatterChange(what=WORSE, matter=matter, finding=finding)
    return None


def unchanged(known: Sequence[Matter], changes: Iterable[MatterChange]) -> list[Matter]:
    """Open matters that stay as they are: what is settled or became worse now has waited for no answer."""
    changed = {change.matter.id for change in changes if change.matter is not None}
    return [matter for matter in known if matter.id not in changed]


def together(*looks: Look) -> Look:
    """Several looks as one."""
    return Look(
        findings=tuple(finding for look in looks for finding in look.findings),
        unknown=frozenset(name for look in looks for name in look.unknown),
    )


# ---------------------------------------------------------------- housings


def of_housings(views: Iterable[View]) -> Look:
    """Housings over their limit, and those whose figures contradict each other."""
    seen = list(views)
    current = [view for view in seen if not view.hours_behind]
    findings = [finding for view in current if (finding := _of_housing(view)) is not None]
    unknown = {(kind, subject_of(view)) for view in seen for kind in _LEAVE_OPEN if _unknown(view, kind)}
    return Look(findings=tuple(findings), unknown=frozenset(unknown - {f.name for f in findings}))


def _unknown(view: View, kind: str) -> bool:
    return bool(view.hours_behind) or view.assessment.state in _LEAVE_OPEN[kind]


def subject_of(view: View) -> str:
    """A housing as subject of a matter."""
    return f"machines/{view.housing.machine}/housings/{view.housing.name}"


def _of_housing(view: View) -> SeenMatter | None:
    kind = BY_STATE.get(view.assessment.state)
    if kind is None:
        return None
    severity = _beyond(view.assessment) if kind == OVER_LIMIT else _doubt(view.assessment)
    site = view.papers.machine.site
    return SeenMatter(kind=kind, subject=subject_of(view), site=site, severity=severity, about=about_of(view))


def _beyond(assessment: Assessment) -> int:
    used_percent = assessment.study.share_used_percent or 0.0
    return 1 + max(0, int((used_percent - 100.0) // OVER_STEP_PERCENT))


def _doubt(assessment: Assessment) -> int:
    return DUST if assessment.study.is_below_clean else 1


def about_of(view: View) -> dict[str, Any]:
    """What is said of a housing: codes and values."""
    assessment, terminal = view.assessment, view.terminal
    return {
        "machine": view.housing.machine,
        "display_name": view.housing.display_name,
        "housing": view.housing.name,
        "site": view.papers.machine.site,
        "state": assessment.state,
        "share_used_percent": assessment.study.share_used_percent,
        "restriction_pa": assessment.study.restriction_pa,
        "limit_pa": None if terminal is None else terminal.restriction_pa,
        "unit": gauge_unit(terminal),
        "measured_s": view.last_reading_s,
        "advice_code": assessment.advice.code,
    }


# ---------------------------------------------------------------- account, losses, backup


def of_account(faults: Sequence[str] | None) -> Look:
    """The account of an owner. faults : what does not balance; None: it was not counted now."""
    name = (UNBALANCED, "account")
    if faults is None:
        return Look(findings=(), unknown=frozenset({name}))
    findings = [_of_faults(faults)] if faults else []
    return Look(findings=tuple(findings), unknown=frozenset())


def _of_faults(faults: Sequence[str]) -> SeenMatter:
    about = {"faults": list(faults[:8]), "count": len(faults)}
    return SeenMatter(kind=UNBALANCED, subject="account", site=None, severity=len(faults), about=about)


def of_backup(record: BackupRecord | None) -> Look:
    """The last backup of the server, and its restore drill. record : None, nothing is known of it."""
    name = (BACKUP, "backup")
    if record is None:
        return Look(findings=(), unknown=frozenset({name}))
    findings = (_of_failures(record),) if record.failed or record.drills_failed else ()
    return Look(findings=findings, unknown=frozenset())


def _of_failures(record: BackupRecord) -> SeenMatter:
    failed = record.failed + record.drills_failed
    good_us = record.drilled_us if record.drills_failed else record.good_us
    about = {
        "why": record.why if record.failed else record.drill_why,
        "good_s": None if good_us is None else good_us / 1e6,
        "failed": failed,
        "drill": not record.failed,
    }
    severity = 1 + failed // BACKUPS_STEP
    return SeenMatter(kind=BACKUP, subject="backup", site=None, severity=severity, about=about)


def of_declared(lines: Iterable[DeclaredLine], now_us: int) -> Look:
    """Losses and damage that gateways declared lately, by device; more of them are worse."""
    by_device: defaultdict[str, list[DeclaredLine]] = defaultdict(list)
    for line in lines:
        if line.event not in NEEDS_NO_PERSON:
            by_device[line.device].append(line)
    recent = {
        device: found
        for device, found in by_device.items()
        if max(line.last_us for line in found) > now_us - DECLARED_FOR_US
    }
    findings = tuple(_of_losses(device, found) for device, found in sorted(recent.items()))
    return Look(findings=findings, unknown=frozenset())


def _of_losses(device: str, lines: Collection[DeclaredLine]) -> SeenMatter:
    readings, times = sum(line.lost for line in lines), sum(line.times for line in lines)
    newest = max(lines, key=lambda line: line.last_us)
    about = {"device": device, "event": newest.event, "readings": readings, "times": times}
    about |= {"last_s": newest.last_us / 1e6}
    subject = f"devices/{device}"
    return SeenMatter(kind=LOSS, subject=subject, site=None, severity=readings + times, about=about)
