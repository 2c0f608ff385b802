"""The demo's machines with no entry made: the element that was changed is found, and no other."""

from __future__ import annotations

import pytest

from cleanside.ingest.restriction import HousingFacts, Study, study_housing, summarise_hours
from cleanside.simulator.fleet import FLEET, MachineSpec
from tests.support.demo_machine import changed_at_s, demo_readings, spec_of, terminal_pa_of

HOUR_S = 3_600.0


def studied(spec: MachineSpec, *, days: int, seed: int) -> Study:
    facts = HousingFacts(terminal_pa=terminal_pa_of(spec), machine=spec.name, kind=spec.kind)
    return study_housing(summarise_hours(demo_readings(spec, days=days, seed=seed)), facts).study


@pytest.mark.parametrize(("days", "seed"), [(21, 7), (16, 7), (21, 1), (21, 2), (21, 3)])
def test_an_overnight_fall_to_a_clean_level_is_found_and_asked_about(days: int, seed: int) -> None:
    """Nothing is known of a clean level: it is the machine's first change, and nothing is learned."""
    spec = spec_of("loader-02")
    changed_s = changed_at_s(spec, days=days, seed=seed)
    found = studied(spec, days=days, seed=seed)
    assert found.changes_found_s == pytest.approx([changed_s], abs=HOUR_S)
    before, running = found.lives
    assert (before.ended, running.began, running.began_by) == ("before terminal", "change", "found")
    assert running.level_start_pa == pytest.approx(2050, rel=0.05)


@pytest.mark.parametrize("spec", [s for s in FLEET if s.changed_on_day is None], ids=lambda s: s.name)
def test_on_the_demos_other_machines_no_change_is_found(spec: MachineSpec) -> None:
    assert [life.began for life in studied(spec, days=21, seed=7).lives] == ["first seen"]


def test_a_change_is_asked_about_at_one_instant_however_many_hours_come_after() -> None:
    """Each further instant would be one more event."""
    spec = spec_of("loader-02")
    summaries = summarise_hours(demo_readings(spec, days=28))
    changed_s = changed_at_s(spec, days=28)
    facts = HousingFacts(terminal_pa=terminal_pa_of(spec), machine=spec.name, kind=spec.kind)
    first = next(n for n, summary in enumerate(summaries) if summary.hour_s >= changed_s)
    asked = {
        at_s
        for seen in range(first + 20, len(summaries), 4)
        for at_s in study_housing(summaries[:seen], facts).study.changes_found_s
    }
    assert list(asked) == pytest.approx([changed_s], abs=HOUR_S)
