"""The gateway's page and the shop's page Visit name the same things alike, in each language."""

from __future__ import annotations

import pytest

from cleanside.gateway import spot_checks
from cleanside.gateway.beside.page_words import WORDS
from cleanside.ingest.console.visit_sheet import ANCHORS
from cleanside.ingest.console.wording import table

CHECKS = (
    *(spot_checks.SUPPLY, spot_checks.KEY_OFF, spot_checks.CLOCK),
    *(spot_checks.LINK, spot_checks.ZERO, spot_checks.ANSWER),
)
VERDICTS = (spot_checks.PASSED, spot_checks.FAILED, spot_checks.NOT_YET_SEEN)


@pytest.mark.parametrize("language", list(WORDS))
def test_checks_verdicts_and_the_advice_have_the_same_words_on_both_pages(language: str) -> None:
    shop, gateway = table(language), WORDS[language]
    said = {name: shop[f"visit.check.{name}"] for name in CHECKS}
    said |= {name: shop[f"visit.verdict.{name}"] for name in VERDICTS}
    said |= {f"anchor_{name}": shop[f"visit.anchor.{name}"] for name in ANCHORS}
    said["advice"] = shop["layout.advice_only"]
    assert {name: gateway[name] for name in said} == said


@pytest.mark.parametrize(
    ("language", "begins", "ends"),
    [("de", "Feststellbremse", "Lüftung"), ("en", "parking brake", "ventilation")],
)
def test_what_comes_before_high_idle_is_the_same_on_both_pages(language: str, begins: str, ends: str) -> None:
    caution = str(table(language)["caution.high_idle"])
    steps = caution[caution.index(begins) : caution.index(ends) + len(ends)]
    assert steps in WORDS[language]["do_run"]
