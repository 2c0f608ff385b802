"""What followed from a run of steps is taken again as far as the steps are the same."""

from __future__ import annotations

from cleanside.ingest.restriction.elements.followed import Followed, FollowedStep

worked_out: list[str] = []


def run(followed: Followed[str], letters: str) -> list[str]:
    """Each step adds its letter; which steps were worked out is in `worked_out`."""

    def step(letter: str) -> FollowedStep[str]:
        def follows(before: str | None) -> str:
            worked_out.append(letter)
            return (before or "") + letter

        return FollowedStep(letter, follows)

    worked_out.clear()
    return followed.along(step(letter) for letter in letters)


def test_the_first_run_is_worked_out_whole() -> None:
    assert run(Followed(), "abc") == ["a", "ab", "abc"]
    assert worked_out == ["a", "b", "c"]


def test_only_what_is_new_is_worked_out() -> None:
    followed = Followed[str]()
    run(followed, "abc")
    assert run(followed, "abcd") == ["a", "ab", "abc", "abcd"]
    assert worked_out == ["d"]


def test_after_a_step_that_differs_all_are_worked_out_though_later_ones_are_the_same() -> None:
    followed = Followed[str]()
    run(followed, "abcd")
    assert run(followed, "axcd") == ["a", "ax", "axc", "axcd"]
    assert worked_out == ["x", "c", "d"]


def test_a_shorter_run_is_taken_again_and_forgets_the_rest() -> None:
    followed = Followed[str]()
    run(followed, "abcd")
    assert run(followed, "ab") == ["a", "ab"]
    assert worked_out == []
    assert run(followed, "abcd")[-1] == "abcd"
    assert worked_out == ["c", "d"]
