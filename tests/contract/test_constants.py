"""Numbers of the analysis: each has a name and says where it comes from, by the rules of the count."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.benchmark.count_constants import INGEST, ORIGIN, bare_in, bare_numbers, main, named_numbers

METHODS = (INGEST / "restriction" / "METHODS.md").read_text()
TABLES = [
    *re.findall(
        r"^\| `[^|]*\| [^|]* \| ([^|]*) \|$", (INGEST / "restriction" / "CONSTANTS.md").read_text(), re.M
    ),
    *re.findall(
        r"^\| `[^|]*\| [^|]* \| [^|]* \| ([^|]*) \|",
        (INGEST / "restriction" / "CONSTANTS.md").read_text(),
        re.M,
    ),
]


def bare(line: str) -> list[float]:
    """Of one line in a rule."""
    return [number.value for number in bare_in(Path("rule.py"), f"def rule(x):\n    return {line}\n")]


def test_every_number_with_a_name_says_where_it_comes_from() -> None:
    assert [one.place for one in named_numbers() if not one.has_origin] == []


def test_no_number_stands_in_a_rule_without_a_name() -> None:
    assert [f"{one.path.name}:{one.line} {one.value}" for one in bare_numbers()] == []


def test_methods_has_the_figures_of_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    said = re.search(
        r"(\d+) numbers of the analysis have a name, (\d+) of them an origin .* (\d+) stand in a rule",
        METHODS,
    )
    assert said is not None
    assert main([]) == 0
    printed = dict(line.split(maxsplit=1) for line in capsys.readouterr().out.splitlines())
    assert [*printed["all"].split(), printed["bare"].strip()] == list(said.groups())


def test_chosen_alone_is_no_reason() -> None:
    assert len(TABLES) > 150
    assert [origin for origin in TABLES if origin.strip() == "chosen"] == []


@pytest.mark.parametrize(
    "line",
    [
        *(
            "x > 1.3",
            "0.8 * x",
            "np.clip(x, 0.0, 0.999)",
            "min(x, 9.0)",
            "x if x < 5 else 0",
            "f(x, width=5)",
        ),
        *(
            "x[-3:]",
            "x[:3]",
            "x * 24",
            "x > 60",
            "np.quantile(x, 0.95)",
            "np.reshape(x, 3) + f(7)",
            "{'a': 4}",
        ),
    ],
)
def test_a_number_that_decides_needs_a_name(line: str) -> None:
    assert len(bare(line)) == 1


@pytest.mark.parametrize(
    ("line", "why"),
    [
        *(("x > 0", "an end"), ("0.5 * x**2", "a half, a square"), ("-1", "a sign")),
        *(("max(x, 1e-9)", "a guard"), ("x + 1e-300", "a guard")),
        *(("100 * x", "percent"), ("x / 3600", "an hour"), ("x // 1_000_000", "micro")),
        *(("x[4]", "a column"), ("x[:, [1, 2, 5]]", "columns"), ("x.reshape(-1, 7)", "a shape")),
        *(("np.zeros((0, 3))", "a shape"), ("x.sum(axis=3)", "an axis")),
        *(
            ("(x << 22) | y", "bits"),
            ("x & 0xFF", "bits"),
            ("constant(0.3, unit='1', origin='chosen')", "a field"),
        ),
    ],
)
def test_a_number_that_decides_nothing_needs_none(line: str, why: str) -> None:
    assert bare(line) == [], why


@pytest.mark.parametrize(
    "comment",
    ["chosen: a shift", "ISO 2533", "common practice", "(Huber 1964)", "measured on plateau", "arithmetic"],
)
def test_a_comment_with_an_origin_is_one(comment: str) -> None:
    assert ORIGIN.search(comment)


@pytest.mark.parametrize("comment", ["", "of the limit", "hours whose median is judged", "more is noise"])
def test_a_comment_that_says_only_what_it_is_has_none(comment: str) -> None:
    assert not ORIGIN.search(comment)
