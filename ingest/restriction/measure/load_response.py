"""
How the air flow of one engine answers its speed and load, fitted to what restriction shows.

A four-stroke engine draws at each turn half its displacement of air of manifold density: flow goes with speed
times density (speed-density equation; J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section
2.10). A turbocharger raises that density by what its turbine takes from the exhaust (compressor and turbine
have one power; the same book, section 6.8). That grows with the fuel burnt at each turn, which is the load,
and with the turns, because the same nozzle passes more gas:

    flow = speed x (u + (1 - u) x load^m x (speed / top speed)^k)

u : the charge without load over that at full load. k : 0 where a waste gate or a variable nozzle keeps the
boost up at low speed, 1 where the boost goes with the power. m : below 1 where the boost flattens towards
full load, above 1 where it steepens.
At full load and top speed the flow is full, so full flow is known though the engine never ran there. The fit
says too how unsure the level at full flow is.
Promises: pure; equal steps in any order give an equal response. With few steps it is the usual one.
Leaves to others: which steps are fit to judge by (`reference`).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.held import in_steps
from cleanside.ingest.restriction.measure.ranks import MAD_TO_SPREAD, middle
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.tuning import FLOW, HELD

STEPS = 8  # of Gauss-Newton; more change u, k and m by less than 0.001 (measured on plateau)
#: times the spread: beyond it a residual counts by its size (Huber 1964; 1.345 is 95 % as efficient as least
#: squares on normal noise, from memory)
HUBER = 1.345
RESPONSE = 3  # index: what follows u, k and m in a response
LEAST_LOAD = 0.01  # chosen: a load of 0 has no logarithm; a step of SAE J1939 SPN 92 (from memory)


class LoadResponse(NamedTuple):
    """The law above for one engine."""

    unloaded: float  # u: charge without load, of that at full load. [1]
    with_speed: float  # k: how the boost follows the speed. [1]
    with_load: float  # m: how the boost follows the load. [1]
    top_rad_s: float  # speed at which full load gives full flow

    def flow(self, speed_rad_s: FloatArray, load: FloatArray) -> FloatArray:
        """
        Flow in speed at full load, shape as given. [rad/s]

        load : 0 to 1. At full load and top speed the flow is the top speed.
        """
        return np.asarray(
            speed_rad_s * (self.unloaded + (1.0 - self.unloaded) * self._boost(speed_rad_s, load))
        )

    def slopes(self, speed_rad_s: FloatArray, load: FloatArray) -> FloatArray:
        """How ln(flow) goes with u, k and m, shape (n, 3)."""
        boost = self._boost(speed_rad_s, load)
        charge = self.unloaded + (1.0 - self.unloaded) * boost
        with_boost = (1.0 - self.unloaded) * boost / charge
        of_speed = with_boost * np.log(speed_rad_s / self.top_rad_s)
        return np.column_stack(
            ((1.0 - boost) / charge, of_speed, with_boost * np.log(np.maximum(load, LEAST_LOAD)))
        )

    def _boost(self, speed_rad_s: FloatArray, load: FloatArray) -> FloatArray:
        """What the turbine adds, as a share of what it adds at full flow."""
        share = speed_rad_s / self.top_rad_s
        return np.asarray(load**self.with_load * share**self.with_speed)


class FittedResponse(NamedTuple):
    """A response, and how unsure it is."""

    response: LoadResponse
    covariance: FloatArray  # of u, k, m and the exponent of restriction to flow, shape (4, 4)

    def held(self) -> FittedResponse:
        """The same with u, k and m held in steps."""
        u, k, m = (in_steps(value, HELD.response_step) for value in self.response[:RESPONSE])
        return self._replace(response=LoadResponse(u, k, m, self.response.top_rad_s))

    def spread(self, speed_rad_s: FloatArray, load: FloatArray, exponent: float) -> float:
        """
        Standard error of ln(level at full flow) as the work done here shows it. [1]

        speed_rad_s, load : of some work, shape (n,), n >= 1, each as good as the other.
        """
        response = self.response
        beyond = np.log(response.top_rad_s / response.flow(speed_rad_s, load))
        slopes = -exponent * np.mean(response.slopes(speed_rad_s, load), axis=0)
        way = np.append(slopes, np.mean(beyond))
        return float(np.sqrt(way @ self.covariance @ way))


class WorkSteps(NamedTuple):
    """Two states of work near in time, of one element: shape (n,) each."""

    low_rad_s: FloatArray
    low_load: FloatArray
    high_rad_s: FloatArray
    high_load: FloatArray
    ln_drop: FloatArray  # of restriction, or of a measured flow, from the low one to the high one
    hours: int  # in which they lie


def usual_response(top_rad_s: float) -> FittedResponse:
    """What an engine answers of which nothing is known."""
    usual, spread = _prior(FLOW.exponent)
    return FittedResponse(_response(usual, top_rad_s), np.diag(spread**2))


def fit_response(
    steps: WorkSteps, top_rad_s: float, exponent: tuple[float, float] | None = None
) -> FittedResponse:
    """
    The response, and the exponent with it, under which what was measured goes best with a power of the flow.

    top_rad_s : > 0. exponent : what to expect of it, middle and standard deviation; None: of restriction.
    Least squares with Huber's weights and a normal prior (`FlowTuning`), by Gauss-Newton. The steps of an
    hour share its highest state, so an hour counts once.
    """
    usual, spread = _prior(FLOW.exponent if exponent is None else exponent)
    precision, found = np.diag(spread**-2.0), usual
    for _ in range(STEPS):
        response = _response(found, top_rad_s)
        moved, slopes = _between(response, steps)
        left = steps.ln_drop - found[3] * moved
        noise = max(MAD_TO_SPREAD * middle(np.abs(left)), FLOW.least_noise)
        weight = 1.0 / np.maximum(np.abs(left) / (HUBER * noise), 1.0)
        weight *= steps.hours / len(left) / noise**2
        way = np.column_stack((found[3] * slopes, moved))
        known = precision + way.T @ (weight[:, None] * way)
        pull = way.T @ (weight * left) + precision @ (usual - found)
        found = np.clip(found + np.linalg.solve(known, pull), *np.transpose(FLOW.bounds))
    return FittedResponse(_response(found, top_rad_s), np.linalg.inv(known))


def _response(values: FloatArray, top_rad_s: float) -> LoadResponse:
    """values : u, k, m and more."""
    unloaded, with_speed, with_load = values[:RESPONSE].tolist()
    return LoadResponse(unloaded, with_speed, with_load, top_rad_s)


def _prior(exponent: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Middle and standard deviation of u, k, m and the exponent, shape (4,) each."""
    usual, spread = np.transpose((FLOW.unloaded, FLOW.with_speed, FLOW.with_load, exponent))
    return usual, spread


def _between(response: LoadResponse, steps: WorkSteps) -> tuple[FloatArray, FloatArray]:
    """ln(flow) from the low to the high states, shape (n,), and how it goes with u, k and m, (n, 3)."""
    high, low = (steps.high_rad_s, steps.high_load), (steps.low_rad_s, steps.low_load)
    ln_flow = np.log(response.flow(*high)) - np.log(response.flow(*low))
    return ln_flow, response.slopes(*high) - response.slopes(*low)
