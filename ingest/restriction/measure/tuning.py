"""
Every constant of the model of a housing in one place: value, unit, origin, and what it costs to move it.

The rules themselves hold no bare numbers. `python -m tests.benchmark.bench_ablation` moves each constant of
the model and switches each hypothesis off, and prints what that costs. `bench_flow_ablation` does the same
with the other tables.
Leaves to others: what the constants do (`elements.pieces`, `elements.explain`, `measure.reference`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

Pair = tuple[float, float]


def constant(value: Any, *, unit: str, origin: str, moved: Pair | tuple[Pair, Pair] | None = None) -> Any:
    """
    A constant with where its value comes from.

    moved : what a third more, and a third less of it changes [%]; None = not measured.
    Of `Tuning`: the share of the looks at a simulated fleet at which anything else is said
    (`tests/benchmark/bench_ablation.py`). Of the other tables two pairs: by how much the level at full flow
    moves, and its standard error; of `MetTuning` the same of the level at which an indicator latches, both
    means over looks at made fleets (`tests/benchmark/bench_flow_ablation.py`).
    """
    return field(default=value, metadata={"unit": unit, "origin": origin, "moved": moved})


@dataclass(frozen=True, kw_only=True)
class Tuning:
    """Constants of the model. Pairs and triples go with (flow measured, engine speed alone, no proxy)."""

    # ------------------------------------------------------------ the level where the load is not known
    envelope_h: int = constant(9, unit="operating hours", moved=(0, 0), origin="simulated machines: a shift")
    level_quantile: tuple[float, float, float] = constant(
        (0.5, 0.7, 0.8),
        unit="quantile",
        moved=(7.2, 5.1),
        origin="simulated machines: level over true 0.98 to 1.01, not 0.8",
    )

    # ------------------------------------------------------------ where the level steps (`pieces`)
    windows_h: tuple[int, ...] = constant(
        (3, 8), unit="operating hours", origin="chosen: half a shift, and a shift"
    )
    least_step: float = constant(
        0.08, unit="ln", moved=(6, 1.5), origin="chosen: a smaller step is not worth a question"
    )
    step_times: float = constant(
        4.0,
        unit="usual steps",
        moved=(2.4, 0.9),
        origin="chosen by the ablation: 3 finds no more and asks more",
    )
    at_once: float = constant(
        0.42,
        unit="of the step",
        moved=(7.2, 1.8),
        origin="chosen: an hour in which the change was made has half of it",
    )
    tail_h: int = constant(2, unit="operating hours", origin="chosen: one odd hour is no step")
    tail_step: float = constant(
        0.35, unit="ln", moved=(0, 0), origin="chosen: with two hours after it only a deep step counts"
    )
    usual_step: tuple[float, float, float] = constant(
        (0.03, 0.05, 0.06), unit="ln", moved=(2.4, 0.3), origin="simulated machines: median over machines"
    )
    usual_step_blocks: float = constant(
        4.0,
        unit="blocks",
        moved=(0.3, 0),
        origin="chosen: weight of the usual step against the machine's own",
    )
    level_h: int = constant(6, unit="operating hours", moved=(3, 3), origin="chosen: most of a shift")
    settle_h: int = constant(
        24, unit="operating hours", moved=(0.9, 0.3), origin="open field series: an element fitted wet"
    )
    idle_h: float = constant(72.0, unit="h", moved=(0.6, 0), origin="chosen: a weekend")
    unseen_share: float = constant(
        0.2, unit="operating hours an hour", moved=(0, 1.2), origin="chosen: a shift a day, beyond a weekend"
    )
    gap_h: float = constant(
        24.0,
        unit="operating hours",
        moved=(0, 0),
        origin="chosen: unseen hours in which a life may have ended",
    )

    # ------------------------------------------------------------ how often it happens
    new_per_h: float = constant(
        1 / 400, unit="1/h", moved=(0.9, 3.3), origin="common practice: elements last 250 to 1 000 h"
    )
    loaded_share: float = constant(
        0.75,
        unit="of the limit",
        moved=(5.1, 2.7),
        origin="common practice: elements are changed when loaded",
    )
    loaded_width: float = constant(
        0.08, unit="of the limit", moved=(0.6, 2.1), origin="chosen: people change some days before or after"
    )
    unloaded_factor: float = constant(
        0.3, unit="1", moved=(0.3, 2.4), origin="common practice: a third of the elements is changed early"
    )
    loaded_factor: float = constant(4.0, unit="1", moved=(0.9, 1.2), origin="chosen: mean over a life is 1")
    over_share: float = constant(
        1.1,
        unit="of the limit",
        moved=(2.1, 1.8),
        origin="chosen: levels are known to 5 %, and by there an indicator latched",
    )
    over_factor: float = constant(
        16.0,
        unit="1",
        moved=(0.6, 0.3),
        origin="common practice: what has latched is changed within days, some 25 h of work",
    )
    cleaned_share: float = constant(
        0.15,
        unit="of changes",
        moved=(1.5, 0.9),
        origin="common practice: one opening in seven is a cleaning",
    )
    young_h: float = constant(
        6.0,
        unit="operating hours",
        moved=(0.3, 0.6),
        origin="chosen: an element of a shift is hardly changed again",
    )
    mended_new: float = constant(
        0.5, unit="1", moved=(1.8, 0), origin="chosen: half of the repairs of a torn element fit a new one"
    )
    mended_off: float = constant(
        0.05, unit="1", moved=(0, 0), origin="chosen: a tube is put on again, and the element stays"
    )
    low_per_h: float = constant(
        1 / 3000,
        unit="1/h",
        moved=(2.1, 0.9),
        origin="chosen: an element is torn or missing once in two years",
    )
    low_at_service: float = constant(
        0.03,
        unit="of changes",
        moved=(0.6, 0),
        origin="chosen: one service in thirty leaves the element out or unseated; a monitor fitted too",
    )
    low_unknown: float = constant(
        0.1,
        unit="1",
        moved=(0, 0.3),
        origin="chosen: without limit and kind a low level is hardly known to be one",
    )
    off_per_h: float = constant(
        1 / 6000, unit="1/h", moved=(0.3, 0.6), origin="chosen: a tube comes off every four years"
    )
    off_at_service: float = constant(
        0.02, unit="of changes", moved=(0, 0), origin="chosen: one service in fifty leaves the tube off"
    )
    exchanged_per_h: float = constant(
        1 / 15000,
        unit="1/h",
        moved=(2.4, 0.6),
        origin="chosen: a sensor is exchanged, or a step stays unexplained",
    )
    exchanged_step: float = constant(
        0.5,
        unit="ln",
        moved=(0, 1.5),
        origin="chosen: another span or zero moves a level by half, seldom more",
    )
    wet_per_h: float = constant(
        0.005, unit="1/h", moved=(0.3, 0.6), origin="open field series: 5.05 wet spells in 1 000 h"
    )
    light_per_h: tuple[float, float, float] = constant(
        (1 / 2000, 1 / 150, 1 / 100),
        unit="1/h",
        moved=(0.3, 0.3),
        origin="simulated machines: light weeks by flow proxy",
    )
    light_share: tuple[float, float, float] = constant(
        (0.02, 0.1, 0.2),
        unit="of the hours",
        moved=(0.6, 1.2),
        origin="made fleet (plateau): light work five days in 45; without a proxy an easy shift is light too",
    )
    whole_hour: float = constant(
        0.99,
        unit="of an hour",
        origin="chosen: what is less has a stop of half a minute in it",
    )
    entered_right: float = constant(
        0.7, unit="1", origin="chosen: an entry beside a step says what was done, most often"
    )
    entered_other: float = constant(0.1, unit="1", origin="chosen: cleaned for new, new for cleaned")
    note_right: float = constant(
        0.95,
        unit="probability",
        origin="made fleet (plateau): 0.85 tells one torn element of 12 less, 0.99 none more",
    )
    note_spread: float = constant(
        0.04,
        unit="ln",
        origin="made fleet (plateau): 0.08 and the error of levels tell one torn of 12 less, 0.03 none more",
    )
    inspected_wrong: float = constant(
        0.05, unit="1", origin="chosen: a person looked at the element and overlooked that it is torn"
    )
    without_stop: float = constant(
        0.25,
        unit="1",
        moved=(0, 0.3),
        origin="chosen: elements are changed with the engine stopped; clocks may be off",
    )

    # ------------------------------------------------------------ how far it goes
    wet_step: float = constant(
        0.2, unit="ln", moved=(1.2, 1.5), origin="open field series: rises of 0.08 to 0.71"
    )
    light_most: tuple[float, float, float] = constant(
        (0.3, 1.3, 1.6),
        unit="ln",
        moved=(0.3, 0.6),
        origin="charge without load to the power 1.6; without speed lower",
    )
    light_most_spread: float = constant(
        0.2, unit="ln", moved=(0, 0), origin="chosen: engines without load differ by that"
    )
    wet_most: tuple[float, float] = constant(
        (0.5, 0.12),
        unit="ln",
        moved=(0.9, 3),
        origin="open field series: the highest rise is 0.54; spread chosen",
    )
    light_step: tuple[float, float, float] = constant(
        (0.04, 0.3, 0.3), unit="ln", moved=(1.8, 0.9), origin="simulated machines"
    )
    odd_per_h: float = constant(
        1 / 6000,
        unit="1/h",
        moved=(0.3, 0.6),
        origin="chosen: readings at fault for hours, such as a zero not seen yet",
    )
    odd_step: float = constant(0.5, unit="ln", moved=(0.3, 0.6), origin="chosen: as `exchanged_step`")
    clean_share: float = constant(
        0.3,
        unit="of the limit",
        moved=(4.2, 4.2),
        origin="common practice: new elements read 0.2 to 0.5 of the limit",
    )
    clean_spread: float = constant(
        0.38, unit="ln", moved=(3.6, 1.5), origin="common practice: the same range as a spread"
    )
    unknown_quantile: float = constant(
        0.2,
        unit="of the levels",
        moved=(0, 0),
        origin="chosen: without a limit the lower levels seen stand for clean",
    )
    unknown_spread: float = constant(
        0.6,
        unit="ln",
        moved=(0.3, 0),
        origin="chosen: clean may be half of the lower levels, or twice as much",
    )
    kind_spread: float = constant(
        0.2, unit="ln", moved=(0, 0), origin="simulated machines: clean levels of one kind"
    )
    kind_machines: float = constant(
        4.0,
        unit="machines",
        moved=(0, 0),
        origin="chosen: weight of that spread against what the fleet shows",
    )
    kinds_apart: float = constant(
        0.1,
        unit="ln",
        moved=(0.6, 0.3),
        origin="made fleets (plateau, quarry, moor): middles of kinds differ by 0.11 to 0.12",
    )
    element_spread: float = constant(
        0.15, unit="ln", moved=(1.5, 1.5), origin="open field series: 2.8, 3.6 and 4.1 mbar; simulated: 0.12"
    )
    spread_lives: float = constant(
        10.0,
        unit="lives",
        moved=(0, 0),
        origin="chosen: weight of that spread against what the fleet shows: three machines",
    )
    outlier_share: float = constant(
        0.03, unit="1", moved=(0.3, 0.3), origin="chosen: an element of another make"
    )
    outlier_times: float = constant(
        2.0, unit="1", moved=(0.3, 0.3), origin="chosen: another make differs by twice as much"
    )
    low_share: float = constant(
        0.7,
        unit="of the clean level",
        moved=(0, 0),
        origin="open field series: new elements differ by 0.7 to 1.1",
    )
    low_spreads: float = constant(
        2.4,
        unit="spreads of clean elements",
        moved=(0.6, 0.3),
        origin="open field series: new elements differ by 0.7 to 1.1, which is that many below",
    )
    off_pa: float = constant(
        75.0, unit="Pa", moved=(0.6, 6), origin="SAE J1939 SPN 107: one and a half steps of 50 Pa"
    )
    off_share: float = constant(
        0.05, unit="of the clean level", moved=(0, 0), origin="chosen: the same where no limit is known"
    )
    kept_share: tuple[float, float] = constant(
        (0.05, 0.8),
        unit="of the rise",
        moved=(0.9, 1.5),
        origin="common practice: cleaning leaves 20 to 70 % of the dust",
    )

    # ------------------------------------------------------------ how long it lasts
    wet_h: float = constant(
        16.0, unit="operating hours", moved=(0.3, 0.3), origin="open field series: hours to two days"
    )
    dries_h: float = constant(
        8.0, unit="operating hours", moved=(0.3, 0.6), origin="open field series: wet media dry in parts"
    )
    dries_at_once: float = constant(
        0.35,
        unit="of the wet spells",
        moved=(0, 0),
        origin="open field series: fog ends, and the level falls within an hour or two",
    )
    light_h: tuple[float, float, float] = constant(
        (12.0, 45.0, 45.0),
        unit="operating hours",
        moved=(2.4, 1.2),
        origin="chosen: a week of work; where flow is measured it is readings at fault, for a shift",
    )
    low_h: float = constant(
        150.0,
        unit="operating hours",
        moved=(0, 1.5),
        origin="chosen: what is reported is mended within two weeks or three",
    )
    loading_per_h: float = constant(
        0.003, unit="ln an hour", moved=(0, 0.3), origin="common practice: threefold in some 400 h"
    )
    loading_spread: float = constant(
        0.006, unit="ln an hour", moved=(1.2, 1.8), origin="chosen: an element of 90 h"
    )
    swell_h: float = constant(
        20.0,
        unit="operating hours",
        moved=(0.3, 0),
        origin="open field series: wet spells swell within a day",
    )
    swell_near: float = constant(
        0.15, unit="of the fall", moved=(0, 0), origin="chosen: near the level after the fall"
    )
    passing_rise: float = constant(
        0.25,
        unit="ln",
        moved=(0, 0),
        origin="chosen: what water or light work adds does not grow like a loading element",
    )
    pace_h: int = constant(24, unit="operating hours", moved=(0, 0), origin="chosen: three shifts")
    pace_spread: float = constant(
        0.35, unit="of the rise", moved=(0, 0), origin="chosen: dust differs from day to day"
    )
    pace_least: float = constant(
        -3.0, unit="ln", moved=(4.2, 6.6), origin="chosen: rain after a change must not deny it"
    )
    pace_rows: int = constant(600, unit="operating hours", moved=(0, 0), origin="chosen: a life")
    pace_way: float = constant(
        0.5, unit="of the fall", moved=(1.8, 3), origin="chosen: over that part paces are compared"
    )
    pace_cleaned: tuple[float, float] = constant(
        (-0.5, 0.5),
        unit="ln of hours",
        moved=(0.9, 1.5),
        origin="common practice: a cleaned element loads faster",
    )
    pace_new: tuple[float, float] = constant(
        (0.9, 0.6), unit="ln of hours", moved=(0.9, 0.3), origin="open bench: a new element begins flat"
    )
    lasts: tuple[float, float] = constant(
        (500.0, 0.8),
        unit="operating hours, and ln of them",
        moved=(0.3, 2.4),
        origin="common practice: elements last 250 to 1 000 h; wider, as clean air and shapes differ",
    )
    loads_as: float = constant(
        2.0,
        unit="exponent of the share of the life",
        moved=(0.3, 3),
        origin="chosen: loading is convex, a new element begins flat",
    )
    flat_least: float = constant(
        -3.0,
        unit="ln",
        moved=(0, 0),
        origin="chosen: an element in clean air hardly loads; alone it must not outweigh `low_at_service`",
    )
    low_step: tuple[float, float, float] = constant(
        (0.08, 0.15, 0.1),
        unit="ln",
        moved=(0.9, 0.3),
        origin="chosen: what is left of an element gets wet and dry by little",
    )
    low_rise: float = constant(
        0.3, unit="ln", moved=(0, 0), origin="chosen: what is torn hardly loads; the engine's wander remains"
    )

    # ------------------------------------------------------------ how the flow is answered
    answer_h: int = constant(36, unit="operating hours", moved=(1.5, 0.3), origin="chosen: four shifts")
    answer_step: float = constant(
        0.15, unit="ln", moved=(1.5, 0), origin="chosen: smaller steps change the response by little"
    )
    answer_near: float = constant(0.3, unit="ln", moved=(0, 1.8), origin="chosen: beyond, another element")
    answer_spread: tuple[float, float] = constant(
        (0.04, 0.15),
        unit="1",
        moved=(0.6, 1.8),
        origin="made fleet (plateau): windows of one element, by speed alone",
    )
    answer_clean: tuple[float, float] = constant(
        (0.12, 0.08),
        unit="1",
        moved=(1.8, 0.6),
        origin="made fleet (plateau): new elements over the mean of the record",
    )
    answer_element: float = constant(
        0.03, unit="1", moved=(0.3, 0.6), origin="made fleet (plateau): clean elements of a machine"
    )
    answer_low: tuple[float, float] = constant(
        (0.05, 2.0),
        unit="1",
        moved=(0.3, 0),
        origin="ducts alone go with the square of flow; by speed with more",
    )
    answer_hidden: float = constant(
        0.35, unit="1", moved=(0, 0), origin="chosen: a tear that the response does not show"
    )
    answer_least: float = constant(
        -5.0,
        unit="ln",
        moved=(5.4, 1.2),
        origin="made fleets (plateau, quarry): missing elements lie five spreads off; noise must not decide",
    )

    # ------------------------------------------------------------ what people saw on indicator or gauge
    lasting_share: float = constant(
        0.5, unit="of the variance", origin="chosen: light work and moisture pass; a look tells of what lasts"
    )
    indicator_spread: float = constant(
        0.07, unit="ln", origin="chosen: indicators differ by some 5 %, and the highest level is known to 5 %"
    )
    met_below: float = constant(
        0.15, unit="ln", origin="made fleet (plateau): machines meet 0 to 0.3 less than full flow shows"
    )
    gauge_spread: float = constant(
        0.06,
        unit="ln",
        origin="common practice: gauges show 2 to 3 % of their span; the level of an hour 4 %",
    )
    gauge_full_flow: float = constant(
        0.95,
        unit="of full flow",
        origin="chosen: in an hour that reached it, a gauge may be read at full flow",
    )
    gauge_at_full: float = constant(
        0.7, unit="probability", origin="chosen: in such an hour people read at full speed, most often"
    )
    look_wrong: float = constant(
        0.05,
        unit="probability",
        origin="chosen: an indicator that sticks, was not reset, or of another machine",
    )
    look_near_h: float = constant(
        24.0, unit="h", origin="chosen: later than the last reading, the level is another"
    )
    look_after_h: int = constant(
        3,
        unit="operating hours",
        origin="chosen: dates of changes are off by that; people look before the work",
    )
    fleet_share: float = constant(
        0.5,
        unit="of the variance",
        origin="chosen; made fleet (plateau): machines of a flow share 0.09 to 0.15 in ln, about their own; "
        "a third more or less: error of a middle up to 1.5 % more",
    )
    kind_share: float = constant(
        0.125,
        unit="of the variance",
        origin="chosen: kinds differ by less than machines; a third more or less: error up to 0.1 % more",
    )

    # ------------------------------------------------------------ what is reported
    tell: float = constant(
        0.9, unit="probability", moved=(15.8, 1.8), origin="chosen: one reported change in ten may be wrong"
    )
    begins: tuple[float, float, float] = constant(
        (0.5, 0.7, 0.8),
        unit="probability",
        moved=(0.9, 3.6),
        origin="made fleets, bars moved: without a proxy 3 of 21 false changes less and 1 new of 52",
    )
    ask: tuple[float, float, float] = constant(
        (0.05, 0.15, 0.15),
        unit="probability",
        moved=(0, 0),
        origin="made fleets (plateau, quarry): by flow three cleaned elements of 73 more than by 0.1",
    )
    unsure_h: float = constant(
        10.0,
        unit="operating hours",
        moved=(0.6, 0.6),
        origin="made fleet (plateau): a day of work; less was light work in half of the questions",
    )
    back_near: float = constant(
        0.25,
        unit="of the fall",
        moved=(0, 0),
        origin="chosen: nearer to the level before a fall, it is that level again",
    )
    ask_low: float = constant(
        0.1,
        unit="probability",
        moved=(0.3, 0.9),
        origin="chosen: dust costs an engine, a look minutes; by 0.05 made fleets showed none more",
    )
    warn: tuple[float, float, float] = constant(
        (0.25, 0.3, 0.4),
        unit="probability",
        moved=(0, 0),
        origin="chosen: dust reaches the engine; without a proxy light work may be",
    )
    warn_after_h: tuple[float, float, float] = constant(
        (0.0, 6.0, 6.0),
        unit="operating hours",
        origin="chosen: most of a shift; where the load is not known, minutes may be moves about the yard",
    )
    warn_near: float = constant(
        0.8,
        unit="of the clean level",
        moved=(0, 0),
        origin="made fleet (plateau): three false suspicions of three were of elements that read more",
    )
    warn_held: float = constant(
        0.5,
        unit="of the clean level",
        moved=(0, 0),
        origin="made fleet (plateau): missing elements read 0.2 to 0.5, new ones in light work 0.57 and more",
    )
    warn_ends: float = constant(
        0.1,
        unit="probability",
        moved=(0, 0),
        origin="chosen: a third of the bar that begins it; a look costs minutes",
    )
    paths: int = constant(24, unit="histories", origin="measured: more change no answer")
    worst_path: float = constant(12.0, unit="ln odds", origin="measured: less likely ones change no answer")


@dataclass(frozen=True, kw_only=True)
class FlowTuning:
    """Constants of the flow and of full flow. Pairs are a middle and a standard deviation."""

    # ------------------------------------------------------------ how the flow answers speed and load
    unloaded: tuple[float, float] = constant(
        (0.45, 0.08),
        unit="of the charge at full load",
        moved=((0.35, 0.33), (-0.2, 0)),
        origin="common practice: boosts of 0.9 to 1.6 bar at full load leave 0.38 to 0.53",
    )
    with_speed: tuple[float, float] = constant(
        (1.0, 0.5),
        unit="exponent",
        moved=((0.15, 0.12), (-0.1, 0.1)),
        origin="the turbine's power goes with the engine's; a waste gate: 0 (chosen)",
    )
    with_load: tuple[float, float] = constant(
        (1.0, 0.3),
        unit="exponent",
        moved=((0.16, 0.34), (0.1, -0.4)),
        origin="chosen: a balance of powers gives 1.5, a waste gate less than 1",
    )
    exponent: tuple[float, float] = constant(
        (1.4, 0.3),
        unit="1",
        moved=((0.32, 0.16), (-0.1, 0)),
        origin="Darcy-Forchheimer: 1 to 2; open field series 1.57",
    )
    bounds: tuple[tuple[float, float], ...] = constant(
        ((0.25, 0.7), (0.0, 1.5), (0.4, 1.3), (1.0, 2.0)),
        unit="1",
        moved=((0.13, 0.25), (0.1, 1.4)),
        origin="of the four above: what no engine and no filter passes (chosen)",
    )
    least_noise: float = constant(
        0.01,
        unit="ln of restriction",
        moved=((0, 0), (0, 0)),
        origin="chosen: a sensor of 0.05 kPa at full flow; guards: steps that agree to the last bit",
    )
    law_spread: float = constant(
        0.02,
        unit="ln of level",
        moved=((0, 0), (4.8, -3.3)),
        origin="made fleet (plateau): level over true, where full flow is met",
    )
    unseen_level: float = constant(
        0.25,
        unit="of ln of level",
        moved=((0, 0), (6.2, -4.2)),
        origin="chosen: balances of powers with and without a waste gate",
    )
    fit_hours: int = constant(
        200,
        unit="newest working hours",
        moved=((0.19, 0.22), (0.1, -0.1)),
        origin="chosen: a month; more change the fit by little",
    )
    top_hours: int = constant(
        500,
        unit="newest working hours",
        moved=((0.02, 0.03), (-0.1, 0)),
        origin="chosen: an element; guards: an engine governed otherwise long ago",
    )
    loaded: float = constant(
        0.5,
        unit="of the load",
        moved=((0.75, 0.32), (1.1, -0.2)),
        origin="chosen: a governor lets an engine without load turn faster than rated",
    )
    top_share: float = constant(
        0.98,
        unit="quantile of speeds under load",
        moved=((0.76, 4), (-2.1, 11)),
        origin="chosen: the governor's limit, and not its swings",
    )

    # ------------------------------------------------------------ how far work stays below full flow
    short_flow: tuple[float, float] = constant(
        (0.0, 0.06),
        unit="ln of flow",
        moved=((0, 0), (2.5, -1.8)),
        origin="ISO 8178-4 C1: work at full load; spread: made fleet (plateau)",
    )
    short_level: tuple[float, float] = constant(
        (0.0, 0.1),
        unit="ln of level",
        moved=((0, 0), (17, -13)),
        origin="simulated machines 0; spread: made fleet (plateau)",
    )
    short_machines: float = constant(
        1.0,
        unit="machines",
        moved=((0.29, 0.26), (-1.3, 1.5)),
        origin="chosen: fleets differ from each other as much as machines do",
    )
    short_kind_machines: float = constant(
        6.0,
        unit="machines",
        moved=((0, 0), (0, 0)),
        origin="chosen: kinds differ less than machines of one kind do",
    )
    short_hours: int = constant(
        50,
        unit="working hours",
        moved=((0.37, 0), (0.2, 0)),
        origin="chosen: a week; guards: a teacher that hardly worked",
    )
    short_bounds: tuple[float, float] = constant(
        (-0.1, 0.4),
        unit="ln",
        moved=((0.01, 0.09), (0, 0)),
        origin="chosen: beyond, the entry or the load is wrong",
    )


@dataclass(frozen=True, kw_only=True)
class MetTuning:
    """Constants of what the work of a machine meets, and of when an indicator on the housing latches."""

    shift_h: int = constant(
        10, unit="operating hours", moved=((0.8, 0.6), (-0.9, 3)), origin="chosen: a shift, or a long day"
    )
    hours: int = constant(
        500, unit="newest operating hours", moved=((0.34, 0.66), (1.9, -0.3)), origin="chosen: an element"
    )
    high: float = constant(
        0.75,
        unit="quantile of shifts",
        moved=((14, 2.8), (0, 0)),
        origin="made fleets (plateau, quarry): an indicator keeps the highest",
    )
    between: tuple[float, float] = constant(
        (0.16, 0.84),
        unit="quantiles of shifts",
        moved=((0, 0), (63, -15)),
        origin="one standard deviation either side",
    )
    usual: tuple[float, float] = constant(
        (0.0, 0.12),
        unit="ln",
        moved=((0, 0), (5.5, -3.4)),
        origin="before a shift was seen: full flow is met, or nearly (chosen)",
    )
    usual_shifts: float = constant(
        1.0, unit="shifts", moved=((0.12, 0.09), (2, -1.6)), origin="chosen: weight of the usual value"
    )
    monitor_spread: float = constant(
        0.035,
        unit="ln",
        moved=((0, 0), (13, -8.4)),
        origin="as of an entered reference flow: monitor and indicator differ",
    )


@dataclass(frozen=True, kw_only=True)
class HeldTuning:
    """Steps to which learned quantities are rounded (`held`), far below their standard errors."""

    exponent_step: float = constant(
        0.005,
        unit="1",
        moved=((0.04, 0.03), (0, 0)),
        origin="open field series: a tenth and less of what single years differ by",
    )
    flow_ratio: float = constant(
        0.0025,
        unit="of the reference flow",
        moved=((0.02, 0.02), (0, 0)),
        origin="a 24th of `short_flow`; levels move by 0.25 % at most",
    )
    speed_step: float = constant(
        5 * math.pi / 30,
        unit="rad/s",
        moved=((0.09, 0.07), (-0.1, -0.1)),
        origin="chosen: 5 r/min, so that people read round numbers",
    )
    air_ratio: float = constant(
        0.0025,
        unit="of the site's density",
        moved=((0.01, 0), (0, 0)),
        origin="chosen: the weather of a week moves the median by 1 %",
    )
    span_ratio: float = constant(
        0.0025,
        unit="of a device's span",
        moved=((0, 0), (0, 0)),
        origin="chosen: a tenth of what sound sensors differ by",
    )
    response_step: float = constant(
        0.01,
        unit="1",
        moved=((0.05, 0.04), (0, 0)),
        origin="of `unloaded`, `with_speed`, `with_load`: an eighth of the smallest spread",
    )
    step_ratio: float = constant(
        0.05,
        unit="of the usual step",
        moved=((0, 0), (0, 0)),
        origin="chosen: its standard error is 8 % after a hundred blocks",
    )
    pace_ratio: float = constant(
        0.1, unit="of the usual pace", moved=((0, 0), (0, 0)), origin="chosen: a third of `pace_spread`"
    )
    floor_ratio: float = constant(
        0.1,
        unit="of what reads as nothing",
        moved=((0, 0), (0, 0)),
        origin="chosen: far below any level; guards: an hour with a tube off long ago",
    )
    clean_step: float = constant(
        0.02,
        unit="ln of the clean level",
        moved=((0, 0), (0, 0)),
        origin="chosen: a tenth of what machines of one kind differ by",
    )
    stops_ratio: float = constant(
        0.05,
        unit="of the share of stops",
        moved=((0, 0), (0, 0)),
        origin="chosen: its standard error is 5 % after a month",
    )


TUNING = Tuning()
FLOW = FlowTuning()
MET = MetTuning()
HELD = HeldTuning()
