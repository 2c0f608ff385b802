"""
What it costs to wait: extra fuel from restriction, and the change that costs least by the hour.

Promises: pure; every figure is a range, because the published effect is one. Never later than terminal
restriction, whatever fuel costs.
Leaves to others: prices and consumption (a person enters them), the calendar (`duty`), the forecast.

The effect: 1 kPa more restriction costs a compression-ignition engine 0.3 to 0.5 % more fuel for the same
work, and 0.4 to 0.6 % of its power. Source: a literature review, J. Dziubak and M. Karczewski, Energies 2022,
15, 3285. It is of engines at load; at part load it is smaller, so the range is an upper one.

When to change: an element that costs c and has burnt extra fuel worth f(t) after t hours costs (c + f(t)) / t
an hour. That is least where the extra fuel of the next hour costs as much as the mean of all hours before
it: the rule of the least mean cost over a cycle, in any text on replacement of equipment (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

#: share of fuel and of power for each Pa of added restriction; low and high end of what SOURCE (2022) found
FUEL_PER_PA = (0.003 / 1000.0, 0.005 / 1000.0)
POWER_PER_PA = (0.004 / 1000.0, 0.006 / 1000.0)  # SOURCE (2022), likewise
SOURCE = "Dziubak and Karczewski, Energies 2022, 15, 3285: +1 kPa costs 0.3 to 0.5 % fuel, 0.4 to 0.6 % power"

#: mean of an operating hour; about what a genset of 2 MW burns at full load (common practice) [l/h]
MOST_FUEL_L_PER_H = 500.0
#: what an element and the work cost, in litres of fuel: whatever the currency (common practice)
ELEMENT_IN_LITRES = (5.0, 5_000.0)

NOW_ROWS = 5  # newest hours whose median is the level now (chosen: half a shift)
RECENT_SHARE = 0.25  # of the life so far: its rise is the present slope (chosen: long enough for noise)
LEAST_SLOPE_ROWS = 5  # hours of it, else there is no slope (chosen: noise decides that of fewer)
STEPS = 400  # of the hours left; the cheapest hour is found to a 400th of them (chosen)


@dataclass(frozen=True, kw_only=True)
class Prices:
    """What a person entered, in one currency; all above 0."""

    fuel_l_per_h: float  # mean of an operating hour
    fuel_price_per_l: float
    element_price: float  # element and the work of changing it


def unusual_figures(prices: Prices) -> list[tuple[str, str, dict[str, float]]]:
    """(field, code, values) of each figure that was most likely mistyped. Pure."""
    unusual = []
    if prices.fuel_l_per_h > MOST_FUEL_L_PER_H:
        values = {"l_per_h": prices.fuel_l_per_h, "most_l_per_h": MOST_FUEL_L_PER_H}
        unusual.append(("fuel_l_per_h", "fuel_unusual", values))
    litres, (least, most_l) = prices.element_price / prices.fuel_price_per_l, ELEMENT_IN_LITRES
    if not least <= litres <= most_l:
        values = {"price_per_l": prices.fuel_price_per_l, "element_price": prices.element_price}
        values |= {"litres": litres, "least_l": least, "most_l": most_l}
        unusual.append(("fuel_price_per_l", "fuel_price_unusual", values))
    return unusual


@dataclass(frozen=True, kw_only=True)
class CostRange:
    """Low and high end of a range."""

    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class Waiting:
    """
    What restriction costs now and until terminal, and when changing costs least. None = no prices entered.

    `..._until_due` is None too where no hours are left: then each further hour costs as much as the present
    one.
    """

    extra_fuel_percent_now: CostRange
    power_loss_percent_now: CostRange
    extra_fuel_l_per_h_now: CostRange | None
    extra_fuel_cost_per_h_now: CostRange | None
    #: mean of the operating hours from now to terminal, by the 50 % point of the forecast
    extra_fuel_percent_until_due: CostRange
    extra_fuel_l_until_due: CostRange | None
    extra_fuel_cost_until_due: CostRange | None
    #: operating hours from now until changing costs least; 0: changing now is cheapest, or was before.
    #: low = by the high end of the effect, high = by the low end; neither beyond terminal.
    cheapest_in_h: CostRange | None
    #: True where terminal restriction comes before the cheapest hour: it, not fuel, says when
    terminal_first: bool | None


def cost_of_waiting(
    hours: FloatArray,
    restriction_pa: FloatArray,
    *,
    clean_pa: float,
    terminal_pa: float,
    hours_left: FloatArray,
    prices: Prices | None = None,
) -> Waiting:
    """
    The cost of waiting for the running life.

    hours, restriction_pa : the life so far, shape (n,), n >= 1, operating hours from the change. [h], [Pa]
    clean_pa : level with this element clean; extra is what lies above it. [Pa]
    terminal_pa : [Pa]
    hours_left : 10, 50, 90 % points of the operating hours to terminal, shape (3,), finite. [h]
    Raises ValueError if shapes differ or the life is empty.
    """
    if len(hours) == 0 or np.shape(hours) != np.shape(restriction_pa):
        raise WrongInput(
            "life_empty_or_uneven", hours=np.shape(hours), restriction_pa=np.shape(restriction_pa)
        )
    extra_now_pa = max(0.0, float(np.median(restriction_pa[-NOW_ROWS:])) - clean_pa)
    ahead_h, ahead_pa = way_to_terminal(hours, restriction_pa, terminal_pa, float(hours_left[1]))
    extra_ahead_pa = np.maximum(0.0, ahead_pa - clean_pa)
    mean_ahead_pa = float(np.mean(extra_ahead_pa)) if ahead_h[-1] > 0 else extra_now_pa
    litres = cost = litres_per_h = cost_per_h = cheapest = terminal_first = None
    if prices is not None:
        litres_per_h, cost_per_h = _fuel(prices.fuel_l_per_h * extra_now_pa, prices)
        if ahead_h[-1] > 0:
            litres, cost = _fuel(prices.fuel_l_per_h * float(ahead_h[-1]) * mean_ahead_pa, prices)
        so_far_pa_h = _so_far_pa_h(hours, restriction_pa, clean_pa)
        latest, soonest = (
            _cheapest_in_h(float(hours[-1]), so_far_pa_h, ahead_h, extra_ahead_pa, prices, share)
            for share in FUEL_PER_PA
        )
        cheapest = CostRange(low=soonest, high=latest)
        terminal_first = soonest >= float(ahead_h[-1])
    return Waiting(
        extra_fuel_percent_now=_span(100 * extra_now_pa, FUEL_PER_PA),
        power_loss_percent_now=_span(100 * extra_now_pa, POWER_PER_PA),
        extra_fuel_l_per_h_now=litres_per_h,
        extra_fuel_cost_per_h_now=cost_per_h,
        extra_fuel_percent_until_due=_span(100 * mean_ahead_pa, FUEL_PER_PA),
        extra_fuel_l_until_due=litres,
        extra_fuel_cost_until_due=cost,
        cheapest_in_h=cheapest,
        terminal_first=terminal_first,
    )


def way_to_terminal(
    hours: FloatArray, restriction_pa: FloatArray, terminal_pa: float, left_h: float
) -> tuple[FloatArray, FloatArray]:
    """
    Restriction from now to terminal: begins at the present level and slope, ends at terminal after `left_h`.

    The parabola through both: a loading curve is convex. Where the present slope alone would be beyond
    terminal by then, a straight line. Returns hours from now and restriction, shape (STEPS + 1,). [h], [Pa]
    """
    ahead_h = np.linspace(0.0, max(left_h, 0.0), STEPS + 1)
    now_pa = min(float(np.median(restriction_pa[-NOW_ROWS:])), terminal_pa)
    rise_pa = terminal_pa - now_pa
    if ahead_h[-1] <= 0:
        return ahead_h, np.full(STEPS + 1, terminal_pa)
    share = ahead_h / ahead_h[-1]
    slope_pa = min(max(0.0, _slope_pa_per_h(hours, restriction_pa) * ahead_h[-1]), rise_pa)
    return ahead_h, now_pa + slope_pa * share + (rise_pa - slope_pa) * share**2


def _slope_pa_per_h(hours: FloatArray, restriction_pa: FloatArray) -> float:
    """Rise of the last quarter of the life by least squares; 0 where there is too little of it."""
    recent = hours >= hours[-1] - RECENT_SHARE * (hours[-1] - hours[0])
    x, y = hours[recent], restriction_pa[recent]
    if len(x) < LEAST_SLOPE_ROWS or x[-1] <= x[0]:
        return 0.0
    return float(np.polyfit(x - x[0], y, 1)[0])


def _so_far_pa_h(hours: FloatArray, restriction_pa: FloatArray, clean_pa: float) -> float:
    """Restriction above clean, summed over the operating hours of the life so far. [Pa h]"""
    extra = np.maximum(0.0, restriction_pa - clean_pa)
    return float(np.trapezoid(extra, hours)) + float(hours[0]) * float(extra[0])


def _cheapest_in_h(
    age_h: float,
    so_far_pa_h: float,
    ahead_h: FloatArray,
    extra_pa: FloatArray,
    prices: Prices,
    share_per_pa: float,
) -> float:
    """Operating hours from now at which cost by the hour over the whole life is least. [h]"""
    worth = prices.fuel_l_per_h * prices.fuel_price_per_l * share_per_pa  # of a Pa for an hour
    between = np.diff(ahead_h) * (extra_pa[1:] + extra_pa[:-1]) / 2
    burnt = worth * (so_far_pa_h + np.concatenate(([0.0], np.cumsum(between))))
    by_hour = (prices.element_price + burnt) / np.maximum(age_h + ahead_h, 1e-9)
    return float(ahead_h[int(np.argmin(by_hour))])


def _fuel(litres_pa: float, prices: Prices) -> tuple[CostRange, CostRange]:
    """Extra fuel in litres and in money. litres_pa : litres burnt, times the extra restriction. [l Pa]"""
    return _span(litres_pa, FUEL_PER_PA), _span(litres_pa * prices.fuel_price_per_l, FUEL_PER_PA)


def _span(value: float, ends: tuple[float, float]) -> CostRange:
    return CostRange(low=value * ends[0], high=value * ends[1])
