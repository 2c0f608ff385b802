"""What clean elements are expected to read, learned from lives by kind."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from cleanside.ingest.restriction import FleetKnowledge, Life, learn_fleet
from cleanside.ingest.restriction.elements.clean_levels import CleanLevels, shows_clean
from cleanside.ingest.restriction.measure.tuning import HELD, TUNING, Tuning

LIMIT_PA = 6_200.0
#: so heavy a prior that machines of a kind differ by `kind_spread`, whatever the lives show
KNOWN = replace(TUNING, kind_machines=1e9)


def life(share: float, *, machine: str = "m", kind: str = "grader", grows: float = 1.5) -> Life:
    """A life of 200 h that begins at a share of its limit and ends at so many times that level."""
    hours = np.arange(200.0)
    level = share * LIMIT_PA * np.where(hours <= 20, 1.0, grows ** (np.maximum(hours - 20, 0) / 180))
    return Life(
        hours=hours, restriction_pa=level, terminal_pa=LIMIT_PA, complete=False, machine=machine, kind=kind
    )


def levels(lives: list[Life], tuning: Tuning = TUNING) -> CleanLevels:
    return CleanLevels(lives, 0.1, tuning)


def test_without_lives_the_usual_is_expected() -> None:
    share, spread = levels([]).expected("grader")
    assert share == pytest.approx(TUNING.clean_share, rel=HELD.clean_step)
    assert spread == pytest.approx(TUNING.clean_spread, abs=HELD.clean_step)


def test_what_is_expected_is_the_mean_of_the_joint_normal() -> None:
    """Solved here as one system of normal equations over all machines (Gelman et al., BDA3, section 5.4)."""
    seen = {
        ("grader", "a"): (0.25, 3),
        ("grader", "b"): (0.33, 1),
        ("loader", "c"): (0.4, 2),
        ("loader", "d"): (0.36, 1),
    }
    lives = [life(share, kind=k, machine=m) for (k, m), (share, many) in seen.items() for _ in range(many)]
    usual_var = TUNING.clean_spread**2 - TUNING.kinds_apart**2 - TUNING.kind_spread**2

    def covariance(one: tuple[str, str], other: tuple[str, str]) -> float:
        same_kind, same = one[0] == other[0], one == other
        return usual_var + same_kind * TUNING.kinds_apart**2 + same * TUNING.kind_spread**2

    for asked in [("grader", "new one"), ("grader", "a"), ("dozer", "e"), ("loader", "d")]:
        others = [of for of in seen if of != asked]
        among = np.array([[covariance(a, b) for b in others] for a in others])
        among += np.diag([0.1**2 / seen[of][1] for of in others])
        along = np.array([covariance(asked, of) for of in others])
        away = np.array([math.log(seen[of][0] / TUNING.clean_share) for of in others])
        weights = np.linalg.solve(among, along)
        found = levels(lives, KNOWN).expected(*asked)
        assert math.log(found.share / TUNING.clean_share) == pytest.approx(
            weights @ away, abs=HELD.clean_step
        )
        left = covariance(asked, asked) - along @ weights
        assert found.spread == pytest.approx(math.sqrt(left), abs=HELD.clean_step)


@pytest.mark.parametrize(("spread", "low", "high"), [(0.02, 0.0, 0.15), (0.4, 0.3, 0.5)])
def test_machines_of_a_kind_show_by_how_much_they_differ(spread: float, low: float, high: float) -> None:
    chance = np.random.default_rng(5)
    shares = 0.3 * np.exp(spread * chance.normal(size=20))
    found = levels([life(float(share), machine=f"m{i}") for i, share in enumerate(shares)]).expected("grader")
    assert low < found.spread < high


def test_elements_that_never_load_at_a_low_level_teach_no_clean_level() -> None:
    """Eight of ten machines of a kind work without an element: made up, as in a try of this program."""
    missing = [life(0.15, machine=f"m{i}", grows=1.0) for i in range(8)]
    sound = [life(0.3, machine=f"s{i}") for i in range(2)]
    found = levels([*missing, *sound]).expected("grader", "m0")
    assert found.share == pytest.approx(0.3, rel=0.03)
    assert 0.2 < found.spread < TUNING.clean_spread
    assert learn_fleet(missing).clean_share("grader") is None


def test_a_kind_that_reads_little_is_learned_once_its_elements_load() -> None:
    low = [life(0.12, machine=f"m{i}", grows=2.5) for i in range(8)]
    assert levels(low).expected("grader").share == pytest.approx(0.12, rel=0.1)
    assert learn_fleet(low).clean_share("grader") == pytest.approx(0.12)


def test_only_an_element_seen_from_new_shows_a_clean_level() -> None:
    assert shows_clean(life(0.3), TUNING)
    assert not shows_clean(replace(life(0.3), from_new=False), TUNING)
    assert not shows_clean(life(0.0), TUNING)


def test_a_machine_with_a_wrong_limit_does_not_decide() -> None:
    sound = [life(0.3, machine=f"m{i}") for i in range(6)]
    wrong = life(30.0, machine="wrong")
    assert levels([*sound, wrong]).expected("grader").share < 0.4


def test_neither_the_order_of_the_lives_nor_a_machines_own_matter_to_it() -> None:
    lives = [life(0.2 + 0.03 * i, machine=f"m{i % 4}", kind="ab"[i % 2]) for i in range(8)]
    for asked in (("a", "m0"), ("b", "m1"), ("c", "m9")):
        assert levels(lives[::-1]).expected(*asked) == levels(lives).expected(*asked)
    moved = [life(0.45, machine="m0", kind="a") if one.machine == "m0" else one for one in lives]
    assert levels(moved, KNOWN).expected("a", "m0") == levels(lives, KNOWN).expected("a", "m0")


def test_a_snapshot_says_it_as_the_lives_do() -> None:
    lives = [life(0.25 + 0.02 * i, machine=f"m{i}") for i in range(4)]
    known = learn_fleet(lives)
    again = FleetKnowledge.from_record(known.as_record())
    found = known.expected_clean("grader", "m0", TUNING)
    assert again.expected_clean("grader", "m0", TUNING) == found
    assert 0.25 < found.share < 0.33
