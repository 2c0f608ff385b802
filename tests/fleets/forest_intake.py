"""
The intake of a machine of the forest: what lies on its screen, and how its pre-cleaner fares.

See `forest` for the sources.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.fleets.forest_sky import LAPSE_K_M, RIME_BELOW_C, Sky
from tests.fleets.forest_work import Engine
from tests.fleets.making import Span
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats

SCREEN, LOSS = (0.04, 0.12), (0.12, 0.25)  # of a clean cleaner's restriction; chosen
MOST_BLOCKED = 0.6  # of the screen: beyond it the air comes by other gaps; chosen
#: of the machines: an open inlet, as against one under the hood that takes a fifth of the snow; chosen
OPEN_INLET, SHELTERED = 0.5, 0.2
SNOWS, RIMES, FALLS_OFF, KEEPS = 0.15, 0.1, 0.15, 0.3  # an hour; chance an hour, and what stays then; chosen
MELTS_H, BAY_MELTS = 0.5, 0.1  # above freezing; an hour by the warmth of the engine; chosen
POLLEN, CHIPS, MOST_STUCK, WIPED = 0.02, 0.003, 0.4, 0.15  # an hour of work; a morning's chance; chosen

KINDS, SHARES = ("none", "bowl", "aspirated", "tubes"), (0.25, 0.25, 0.25, 0.25)
SEPARATES, SEPARATES_AT = 0.85, 0.05  # of the dust at high flow; square of the share of flow for half; chosen
BOWL_H, TUBES_H = (20.0, 60.0), (60.0, 200.0)  # until full or plugged, and until people look; chosen
STOPS, STOPPED_DAYS, BLED = 0.4, (12.0, 50.0), 0.9  # aspiration: of those machines, days, of the flow left


@dataclass(frozen=True, kw_only=True)
class Intake:
    """Shape (n,) by row; shares of a clean cleaner's restriction at full flow."""

    kind: str
    screen_share: float
    loss_share: float
    blocked: Floats
    #: factor of the pre-cleaner's loss
    loss: Floats
    #: of the dust that comes to it
    passes: Floats


def intake_for(engine: Engine, sky: Sky, span: Span, chance: np.random.Generator) -> Intake:
    """An intake with one of the kinds of pre-cleaner, or none."""
    hours = np.cumsum(engine.running, dtype=np.float64) * span.interval_s / HOUR_S
    kind = str(chance.choice(KINDS, p=SHARES))
    loss, leaves = np.ones(len(hours)), np.ones(len(hours))
    if kind == "bowl":
        full = _filled(hours, BOWL_H, chance)
        # a vortex that meets its dust collapses: less loss, and more passes
        loss, leaves = 1 - 0.2 * full**4, 1 + 1.5 * full**3
    elif kind == "tubes":
        full = _filled(hours, TUBES_H, chance)
        loss, leaves = 1 + 0.6 * full, 1 + 0.5 * full
    elif kind == "aspirated":
        stands = _stands(engine.at_s, span, chance)
        loss, leaves = np.where(stands, BLED**2, 1.0), np.where(stands, 2.2, 1.0)
    air2 = engine.air**2
    separates = 0.0 if kind == "none" else SEPARATES * air2 / (air2 + SEPARATES_AT)
    return Intake(
        kind=kind,
        screen_share=float(chance.uniform(*SCREEN)),
        loss_share=0.0 if kind == "none" else float(chance.uniform(*LOSS)),
        blocked=_blocked(engine, sky, span, chance),
        loss=loss,
        passes=np.minimum(leaves * (1 - separates), 1.0),
    )


def _filled(hours: Floats, within_h: tuple[float, float], chance: np.random.Generator) -> Floats:
    """From 0 to 1 as it fills; people empty it before or after it is full."""
    filled, first = np.zeros(len(hours)), 0
    while first < len(hours):
        fills_h, looked_h = chance.uniform(*within_h), chance.uniform(*within_h)
        end = int(np.searchsorted(hours, hours[first] + looked_h))
        filled[first:end] = np.minimum((hours[first:end] - hours[first]) / fills_h, 1.0)
        first = max(end, first + 1)
    return filled


def _stands(at_s: Floats, span: Span, chance: np.random.Generator) -> Bools:
    """Rows at which the aspiration of a pre-cleaner does not work."""
    is_one, when = chance.random(2)
    begin_s = span.start_s + when * span.days * DAY_S
    end_s = begin_s + chance.uniform(*STOPPED_DAYS) * DAY_S
    return np.asarray((at_s >= begin_s) & (at_s < end_s) & (is_one < STOPS))


def _blocked(engine: Engine, sky: Sky, span: Span, chance: np.random.Generator) -> Floats:
    """The share of the screen that snow, rime, pollen and chips cover, shape (n,)."""
    at = sky.hours(engine.at_s)
    works = np.minimum(
        np.bincount(at[engine.running], minlength=len(sky.humid)) * span.interval_s / HOUR_S, 1.0
    )
    altitude_m = np.interp(np.arange(len(works)), at, engine.altitude_m)
    temperature_c = sky.temperature_c - LAPSE_K_M * altitude_m
    open_ = 1.0 if chance.random() < OPEN_INLET else SHELTERED
    ice, stuck, falls, wipes = 0.0, 0.0, chance.random(len(works)), chance.random(len(works))
    blocked = np.zeros(len(works))
    for i, work in enumerate(works):
        rimes = sky.fog[i] and temperature_c[i] < RIME_BELOW_C
        ice += open_ * (SNOWS * sky.snows[i] + RIMES * rimes) * (work + 0.1) * (1 - ice)
        melts = np.exp(-1 / MELTS_H) if temperature_c[i] > 0.5 else 1 - BAY_MELTS * work - 0.2 * sky.sun[i]
        ice *= melts * (KEEPS if falls[i] < FALLS_OFF else 1.0)
        stuck += (POLLEN * sky.pollen[i] + CHIPS * engine.kind.debris) * work * (1 - stuck / MOST_STUCK)
        stuck *= 0.9 if sky.rains[i] else 1.0
        stuck = 0.0 if i % 24 == 5 and wipes[i] < WIPED else stuck
        blocked[i] = min(ice + stuck, MOST_BLOCKED)
    return sky.along(blocked, engine.at_s)
