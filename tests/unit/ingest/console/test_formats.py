"""Numbers and times as the locale has them. Separators and orders: Unicode CLDR, common to all its users."""

from __future__ import annotations

from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from hypothesis import example, given
from hypothesis import strategies as st

from cleanside.ingest.console.formats import Formats, within_whole

NOW_S = 1_796_018_400.0  # 2026-11-30 06:00 UTC, a Monday
HARD = "\N{NO-BREAK SPACE}"


def formats(locale: str = "en_GB", zone: str = "Europe/Berlin") -> Formats:
    return Formats(Locale.parse(locale), ZoneInfo(zone), NOW_S)


@pytest.mark.parametrize(
    ("locale", "text"),
    [("en_GB", "1,234.50"), ("de", "1.234,50"), ("en_US", "1,234.50")],
)
def test_separators_are_those_of_the_locale(locale: str, text: str) -> None:
    assert formats(locale).number(1234.5, 2) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.5, "0,5"), (1234.5, "1.234,5"), ("6.20", "6,20"), (-3, "−3"), ("new", "new"), (1e-9, "1e-09")],
)
def test_a_number_keeps_the_decimals_that_it_came_with(value: object, text: str) -> None:
    assert formats("de").written(value) == text


def test_a_minus_sign_is_one_and_no_value_is_a_dash() -> None:
    assert formats().number(-3) == "−3"
    assert formats().number(None) == "–"
    assert formats().number(float("nan")) == "–"


def test_a_number_stands_with_its_unit() -> None:
    figure = formats().restriction(5_760.0)
    assert str(figure) == f"5.76{HARD}kPa"
    assert figure.__html__() == f'5.76<span class="unit">{HARD}kPa</span>'
    assert str(formats("de").restriction(5_760.0, "inH2O")) == f"23,1{HARD}inH2O"


@pytest.mark.parametrize(
    ("locale", "text"), [("en_GB", "Fri 4 Dec"), ("de", "Fr. 4. Dez."), ("en_US", "Fri Dec 4")]
)
def test_a_day_has_its_weekday_and_no_year_of_its_own(locale: str, text: str) -> None:
    assert formats(locale).day("2026-12-04T06:00:00Z") == text


def test_another_year_is_said() -> None:
    assert formats().date("2027-01-04T06:00:00Z") == "4 Jan 2027"


def test_times_are_in_the_viewers_zone_and_today_has_no_date() -> None:
    assert formats().minute("2026-11-30T05:39:59Z") == "06:39"
    assert formats(zone="UTC").minute("2026-11-24T16:05:00Z") == f"24{HARD}Nov{HARD}16:05"
    assert formats(zone="Asia/Kathmandu").clock("2026-11-30T00:00:00Z") == "05:45"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (40, "40 s"),
        (119.4, "119 s"),
        (120, "2 min"),
        (7_199, "119 min"),
        (7_200, "2 h"),
        (19_200, "5 h 20 min"),
        (172_800, "2 d"),
        (-5, "0 s"),
    ],
)
def test_an_age_is_as_exact_as_its_length_needs(seconds: float, text: str) -> None:
    assert formats().age(seconds).replace(HARD, " ") == text


@pytest.mark.parametrize(
    ("zone", "name"),
    [("Europe/Berlin", "CET, Europe/Berlin"), ("UTC", "UTC"), ("America/Sao_Paulo", "America/Sao Paulo")],
)
def test_the_zone_is_named_as_people_know_it(zone: str, name: str) -> None:
    assert formats(zone=zone).zone_name == name


@pytest.mark.parametrize("value", [-0.05, -0.04, -0.0, 0.04])
def test_nothing_has_no_minus(value: float) -> None:
    assert formats("de").number(value, 1) == "0,0"


@given(st.floats(min_value=-1e20, max_value=1e20))
@example(0.5)
@example(1.5)
@example(-0.4)
@example(6.039693879345466e16)
def test_a_whole_number_is_written_as_the_decimals_of_what_python_writes_of_it(value: float) -> None:
    """The short way for whole numbers beside the long one, half to even (IEEE 754)."""
    rounded = Decimal(str(value)).quantize(Decimal(1))
    assert formats().number(value) == f"{rounded:,f}".replace("-", "−" if rounded else "")


@pytest.mark.parametrize(("measured", "said"), [(-2.0, 0.0), (0.0, 0.0), (63.4, 63.4), (101.4, 100.0)])
def test_a_share_of_a_whole_is_said_as_none_of_it_to_all_of_it(measured: float, said: float) -> None:
    assert within_whole(measured) == said
