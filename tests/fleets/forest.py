"""
The forest: machines that fell, carry, chip and dry wood, from the end of a winter into summer, between a
terminal and a ridge. The season moves load, level and dust together. A fleet to tune on; whoever wrote it had
read none of the analysis. What passes is in the level of the evening; the dates of the truth go by the dry
level in mean air with a free intake and a clean pre-cleaner. No confounder below counts as a fault.

Sources; "memory" means that the figure was not looked up again:
- Air: pressure, lapse and Sutherland's viscosity by ISO 2533 (1975); humidity by the Magnus formula of the
  WMO guide (WMO-No. 8), memory.
- Engines: filling, charge temperature, displacement: Heywood, "Internal Combustion Engine Fundamentals"
  (1988) ch. 2, 6, memory. That a control holds the manifold's absolute pressure, leads no exhaust back
  while intake or engine is cold (else acid condenses), and throttles the intake while a particle filter is
  cleaned is common practice; makers' descriptions have enabling temperatures from -10 to 16 degC.
- Losses of screen, duct and cyclone go with density and the square of the flow; a blocked share b of a
  screen raises its loss by 1 / (1 - b)^2 (Idelchik, "Handbook of Hydraulic Resistance", memory); clean media
  and cakes lose with viscosity and flow (Darcy). ISO 5011 (2020) defines restriction and loading.
- Rise by dust, one law a make: cake, intermediate, standard and complete blocking at constant flow (Hermans
  and Bredee 1936; Hermia, Trans. IChemE 60 (1982) 183; memory); fibre mats compress a little, chosen.
- Moisture: hygroscopic dust near saturation resists more: Gupta, Novick, Biswas, Monson, Aerosol Science and
  Technology 19 (1993) 94, memory; sawdust and pollen take up water as wood does; magnitudes chosen.
- An aspirated cyclone bleeds about a tenth of its air (common practice): without it, loss by 0.9^2.
- Gauges: 50 Pa a bit for air filter pressure, 0.125 r/min, 1 % load at current speed, 2 kPa boost: SAE
  J1939-71, memory. A column of water of h mm in a tube shows 9.8 h Pa. Means of a pulsing square lie above
  the square of the mean.
All other figures were chosen by sense, before anything was scored, and no score has changed one.

Where it leaves what simple generators have, with magnitudes:
- air: -15 to 25 degC over the record, barometer +-11 hPa, sites at 30, 340 and 980 m. The manifold holds its
  pressure, so thin air means more volume and a higher level at one mass flow. Exhaust led back takes up to
  20 % of the fresh air at part load, but none below 0 degC: winter levels are higher at one speed and load;
- modes: a particle filter is cleaned every 16 to 35 h (fresh air x 0.72, half of the machines); a charge air
  hose leaks (+3 to 9 %, a fifth, for weeks); economy mode (speed x 0.88), load by operator, week and shift;
- duty: hires of 5 to 25 days with other work at each, sets on steps of load, breaks idled through in frost,
  days of idling, roads closed in the thaw; dust from ground is nil in snow and mud and comes in May;
- intake: snow and rime (to 60 % of a screen, gone within hours), pollen and chips over days, wiped off;
- pre-cleaner: a bowl that fills and is emptied, tubes that plug (to x 1.6) and are cleared, an aspirated one
  that stops (loss x 0.81, dust x 2.2);
- element: four laws of rise; a new medium reads -6 to +10 % for hours; media and cake swell in the mornings
  and dry over the shift (to +14 %, cake to +22 %); to 16 % of a cake falls off at a stop, 1.8 times in frost;
- monitors: hysteresis 40 Pa, snubber 150 s, sending by change, steps of 1 to 100 Pa, zero by the bay's warmth
  with a bend, by supply voltage and cranking; water in the tube (80 to 400 Pa for 0.5 to 5 h, three in ten);
  pulses by speed (to +8 %);
- sent: mass flow off by 5 % and fouling by up to 8 %, high at idle; load with an offset at idle; speed in
  steps of 20 r/min off by 1.5 %; each measure of flow and none on a fifth of the machines.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from tests.fleets.forest_intake import Intake, intake_for
from tests.fleets.forest_sent import SENSORS, bus_for, gauges_for, rated_for, volts_of
from tests.fleets.forest_sky import Sky, moisture_of, viscosity
from tests.fleets.forest_work import KINDS, Engine, engine_for
from tests.fleets.making import Draft, Span
from tests.fleets.rows import smooth_noise, worked_of
from tests.fleets.truth import DAY_S, HOUR_S, Floats, Proxy
from tests.fleets.upkeep import Element, Worked

PROXIES = (
    *(Proxy.SPEED_AND_LOAD, Proxy.NOTHING, Proxy.BOOST, Proxy.SPEED, Proxy.MASS_FLOW),
    *(Proxy.SPEED, Proxy.BOOST, Proxy.MASS_FLOW, Proxy.NOTHING, Proxy.SPEED_AND_LOAD),
    *(Proxy.MASS_FLOW, Proxy.SPEED, Proxy.SPEED_AND_LOAD, Proxy.BOOST, Proxy.NOTHING),
)
#: a limit as the papers have it, its unit, Pa in it
LIMITS = (
    *((6.2, "kPa", 1_000.0), (25.0, "inH2O", 249.08891), (6.5, "kPa", 1_000.0)),
    *((50.0, "mbar", 100.0), (20.0, "inH2O", 249.08891)),
)
CLEAN_SHARE = (0.2, 0.36)  # of the limit
DUCT, PLEATS = (0.12, 0.2), (0.1, 0.2)  # of the clean restriction
DELIVERY_DAYS, USUAL = 35.0, 0.75  # elements of one delivery are alike; of a machine's are of its usual make
CLEAN_SPREAD, CAPACITY_SPREAD = 0.025, 0.14  # standard deviations of the logarithm
SETTLES, SETTLES_H = (-0.06, 0.10), (2.0, 9.0)
DRY_BELOW = 0.45  # moisture up to which nothing swells
FALLS_OFF, FALLS_AFTER_S, RETURNS_H, MOST_FALLEN = (0.0, 0.16), 1_800.0, (4.0, 20.0), 0.35
FROST_C, IN_FROST = -2.0, 1.8  # ice in a cake bursts it


@dataclass(frozen=True, kw_only=True)
class Make:
    """A make of element, and the law by which dust raises its resistance."""

    name: str
    share: float
    law: str
    capacity: float
    clean: float
    #: of a medium and a cake that hold all the water that they can
    swells: float
    cake_swells: float
    #: of the flow in the cake's drop
    flow_power: float


MAKES = (
    Make(
        name="paper", share=0.4, law="intermediate", capacity=1.0, clean=1.0, swells=0.14,
        cake_swells=0.15, flow_power=1.05,
    ),
    Make(
        name="fine", share=0.25, law="cake", capacity=1.35, clean=1.1, swells=0.05, cake_swells=0.22,
        flow_power=1.0,
    ),
    Make(
        name="felt", share=0.15, law="standard", capacity=0.9, clean=0.85, swells=0.08, cake_swells=0.1,
        flow_power=1.15,
    ),
    Make(
        name="cheap", share=0.2, law="complete", capacity=0.75, clean=0.95, swells=0.12, cake_swells=0.18,
        flow_power=1.1,
    ),
)  # fmt: skip


class Generator:
    """The pen of the forest."""

    name = "forest"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._skies: dict[Span, Sky] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """A machine: kind, flow measure and sensor by its number, else drawn."""
        del of
        if span not in self._skies:
            self._skies[span] = Sky.over(span, np.random.default_rng([self.seed, 9_203]))
        sky = self._skies[span]
        kind, proxy = KINDS[(number + self.seed) % len(KINDS)], PROXIES[number % len(PROXIES)]
        sensor = SENSORS[(number + number // len(SENSORS) + 3 * self.seed) % len(SENSORS)]
        engine = engine_for(kind, sky, span, float(chance.uniform(40.0, 160.0)), chance)
        intake = intake_for(engine, sky, span, chance)
        worked = _worked(engine, intake, sky, span, chance)
        limit, unit, pa_in_unit = LIMITS[int(chance.integers(len(LIMITS)))]
        physics = _Physics.of(engine, intake, sky, span, limit * pa_in_unit, self.seed, chance)
        volts = volts_of(engine, chance)
        bus, units = bus_for(proxy, engine, worked, volts, chance)
        gauges, own_units = gauges_for(sensor, engine, sky, worked, volts, chance, two=number % 7 == 5)
        return Draft(
            name=f"forest-{kind.name}-{number:02d}",
            kind=kind.name,
            proxy=proxy,
            is_constant_speed=kind.is_set,
            limit_value=limit,
            limit_unit=unit,
            limit_pa=limit * pa_in_unit,
            worked=worked,
            physics=physics,
            gauges=gauges,
            bus={name: values[: worked.end] for name, values in bus.items()},
            units={**units, **own_units},
            rated=rated_for(proxy, engine),
            has_pressure_pair=sensor.is_pair,
            notes={
                **engine.notes,
                "make": physics.usual.name,
                "pre_cleaner": intake.kind,
                "sensor": sensor.name,
            },
        )


def _worked(engine: Engine, intake: Intake, sky: Sky, span: Span, chance: np.random.Generator) -> Worked:
    """Dust in hours of mean work: ground by season, debris at all times; by job, traffic and pre-cleaner."""
    n, hours = len(engine.at_s), sky.hours(engine.at_s)
    days = ((engine.at_s - span.start_s) // DAY_S).astype(np.int64)
    in_record = engine.running & (days < span.days)
    ground = sky.dusty[hours] / max(sky.dusty[: span.days * 24].mean(), 1e-3)
    behind = np.exp(0.55 * smooth_noise(n, 20 * 60 / span.interval_s, chance))
    debris = engine.kind.debris * np.exp(0.3 * chance.normal(size=span.all_days // 10 + 2))[days // 10]
    kinds = debris + (1 - engine.kind.debris) * ground + 0.4 * sky.pollen[hours]
    rate = engine.air * intake.passes * kinds * behind * engine.dust
    return worked_of(engine.at_s, engine.running, rate / rate[in_record].mean(), span.interval_s, span.end_s)


def risen(law: str, x: Floats) -> Floats:
    """
    The rise of resistance by dust at constant flow as a share of that at capacity, where x is 1.

    Cake: a straight line. Intermediate, standard and complete blocking: Hermia (1982). Beyond 1.15 a line.
    """
    within = np.minimum(np.asarray(x), 1.15)
    if law == "intermediate":
        part, whole = np.expm1(1.9 * within), np.expm1(1.9)
    elif law == "standard":
        part, whole = (1 - 0.5 * within) ** -2 - 1, 0.5**-2 - 1
    elif law == "complete":
        part, whole = 1 / (1 - 0.7 * within) - 1, 1 / (1 - 0.7) - 1
    else:
        part, whole = within, 1.0
    return np.asarray(part / whole + 3.0 * np.maximum(np.asarray(x) - 1.15, 0.0))


# ---------------------------------------------------------------- elements


@dataclass(frozen=True, kw_only=True)
class _Made:
    """An element: its make, and how this one differs."""

    make: Make
    capacity_h: float
    clean: float
    #: of a new medium, while it settles; operating hours at which it went in
    settles: float
    settles_h: float
    since_h: float


@dataclass(frozen=True, kw_only=True)
class _Physics:
    """How the elements of one machine resist; pressures in Pa at full flow in mean air."""

    engine: Engine
    intake: Intake
    hours: Floats
    #: water in the media beyond what makes them swell, and the share of the cake that has fallen off
    moist: Floats
    fallen: Floats
    limit_pa: float
    duct_pa: float
    pleats_pa: float
    medium_pa: float
    screen_pa: float
    pre_cleaner_pa: float
    life_h: float
    usual: Make
    seed: int

    @classmethod
    def of(
        cls,
        engine: Engine,
        intake: Intake,
        sky: Sky,
        span: Span,
        limit_pa: float,
        seed: int,
        chance: np.random.Generator,
    ) -> _Physics:
        clean_pa = limit_pa * chance.uniform(*CLEAN_SHARE)
        duct, pleats = chance.uniform(*DUCT), chance.uniform(*PLEATS)
        hours = np.cumsum(engine.running, dtype=np.float64) * span.interval_s / HOUR_S
        moisture = moisture_of(sky, engine.at_s, engine.running, span.interval_s)
        return cls(
            engine=engine,
            intake=intake,
            hours=hours,
            moist=np.maximum(moisture - DRY_BELOW, 0.0) / (1 - DRY_BELOW),
            fallen=_fallen(engine, hours, chance),
            limit_pa=limit_pa,
            duct_pa=clean_pa * duct,
            pleats_pa=clean_pa * pleats,
            medium_pa=clean_pa * (1 - duct - pleats - intake.screen_share - intake.loss_share),
            screen_pa=clean_pa * intake.screen_share,
            pre_cleaner_pa=clean_pa * intake.loss_share,
            life_h=float(engine.kind.life_h * np.exp(chance.normal(0, 0.2))),
            usual=_drawn(chance),
            seed=seed,
        )

    @cached_property
    def thick(self) -> Floats:
        """Viscosity of the air that is drawn in beside that in mean air."""
        return np.asarray(viscosity(self.engine.temperature_c) / viscosity(np.array(self.engine.mean_c)))

    @cached_property
    def rest_pa(self) -> float:
        """What dust takes of a plain element at its capacity: the rest up to the limit."""
        clean_pa = self.duct_pa + self.screen_pa + self.pre_cleaner_pa + self.medium_pa + self.pleats_pa
        return self.limit_pa - clean_pa

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        """Of the usual make or what was on the shelf; elements of one delivery are alike."""
        make = self.usual if chance.random() < USUAL else _drawn(chance)
        delivery = np.random.default_rng(
            [self.seed, 9_204, MAKES.index(make), int(at_s // (DELIVERY_DAYS * DAY_S))]
        )
        spread = CAPACITY_SPREAD * (0.7 * delivery.normal() + 0.7 * chance.normal())
        return _Made(
            make=make,
            capacity_h=float(self.life_h * make.capacity * np.exp(spread)),
            clean=float(make.clean * np.exp(CLEAN_SPREAD * (delivery.normal() + 0.5 * chance.normal()))),
            settles=float(chance.uniform(*SETTLES)),
            settles_h=float(chance.uniform(*SETTLES_H)),
            since_h=float(np.interp(at_s, self.engine.at_s, self.hours)),
        )

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        """At full flow in mean air, with a free screen and a clean pre-cleaner."""
        housing_pa = self.duct_pa + self.screen_pa + self.pre_cleaner_pa
        return self._pa(element, dust, 1.0, 1.0, 1.0, housing_pa, None)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At full air by mass, in the weather and with the intake of these rows."""
        return self._at(element, dust, np.ones(1), rows)

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At the air of the rows."""
        return self._at(element, dust, self.engine.air[rows], rows)

    def _at(self, element: Element, dust: Floats, air: Floats, rows: Any) -> Floats:
        housing_pa = (
            self.duct_pa
            + self.screen_pa / (1 - self.intake.blocked[rows]) ** 2
            + self.pre_cleaner_pa * self.intake.loss[rows]
        )
        dense, thick = self.engine.dense[rows], self.thick[rows]
        return self._pa(element, dust, air, dense, thick, housing_pa, rows)

    def _pa(
        self, element: Element, dust: Floats, air: Any, dense: Any, thick: Any, housing_pa: Any, rows: Any
    ) -> Floats:
        """Turbulent parts by mass squared over density, media by viscosity and volume. rows None: dry."""
        made: _Made = element.made
        make, x = made.make, np.asarray(dust) / made.capacity_h
        turbulent, volume = air * air / dense, air / dense
        medium, cake = self.medium_pa * made.clean, self.rest_pa * risen(make.law, x)
        if rows is not None:
            since_h = np.maximum(self.hours[rows] - made.since_h, 0.0)
            settling = made.settles * np.exp(-since_h / made.settles_h) if element.cleanings == 0 else 0.0
            medium = medium * (1 + make.swells * self.moist[rows]) * (1 + settling)
            cake = cake * (1 + make.cake_swells * self.moist[rows]) * (1 - self.fallen[rows])
        resisting = medium * volume + cake * volume**make.flow_power
        pleats = self.pleats_pa * made.clean * turbulent
        return np.asarray(housing_pa * turbulent + element.resists * (resisting * thick + pleats))


def _drawn(chance: np.random.Generator) -> Make:
    return MAKES[int(chance.choice(len(MAKES), p=[make.share for make in MAKES]))]


def _fallen(engine: Engine, hours: Floats, chance: np.random.Generator) -> Floats:
    """Share of the cake that fell off at stops and has not grown again, shape (n,)."""
    most, returns_h = chance.uniform(*FALLS_OFF), chance.uniform(*RETURNS_H)
    starts = np.flatnonzero(np.diff(engine.at_s) > FALLS_AFTER_S) + 1
    fallen, now, last = np.zeros(len(hours)), 0.0, 0
    for first, end in zip(starts, np.r_[starts[1:], len(hours)], strict=True):
        now *= float(np.exp(-(hours[first] - hours[last]) / returns_h))
        frost = IN_FROST if engine.temperature_c[first] < FROST_C else 1.0
        now, last = min(now + most * chance.uniform(0.1, 1.0) * frost, MOST_FALLEN), int(first)
        fallen[first:end] = now * np.exp(-(hours[first:end] - hours[first]) / returns_h)
    return fallen
