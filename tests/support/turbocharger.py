"""
The air flow of a turbocharged four-stroke engine from the balance of powers, apart from the analysis.

- The engine draws at each turn half its displacement of air of manifold density (speed-density equation;
  J. B. Heywood, Internal Combustion Engine Fundamentals, 1988, section 2.10; from memory).
- The compressor's power is the turbine's (section 6.8 there): m cp T1 ((p2/p1)^0.286 - 1) / eta against
  m_e cp_e T3 (1 - (p4/p3)^0.248) eta.
- The turbine passes gas as an ideal nozzle of one area (section 6.8 and appendix C there).
- A third of the fuel's heat leaves with the exhaust (section 12.2 there: a fifth to two fifths).
Sizes are chosen: efficiencies of 0.62 to 0.7, a charge-air cooler that takes 0.75 of the heat.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from scipy.optimize import brentq

P1, T1 = 100_000.0, 298.0
AIR_CP, GAS_CP, AIR_R = 1005.0, 1120.0, 287.05
COMPRESSOR, TURBINE = 0.68, 0.66
COOLED = 0.75
GAS_POWER = 0.248  # (kappa - 1) / kappa of exhaust gas
HEAT_J_PER_KG, TO_EXHAUST = 42.7e6, 0.34
FUEL_TO_AIR = 1 / 23  # at full load and rated speed


class Engine:
    """One engine; flows are shares of that at rated speed and full load."""

    def __init__(self, *, pressure_ratio: float, opens_at: tuple[float, float] = (1.0, 1.0)) -> None:
        """
        pressure_ratio : at rated speed and full load.
        opens_at : speed and load from which a waste gate holds the boost; 1 and 1: there is none.
        """
        self.pressure_ratio = pressure_ratio
        self._fuel = FUEL_TO_AIR * self._air(1.0, pressure_ratio)  # a turn, at full load
        self._nozzle = brentq(
            lambda a: self._surplus(*opens_at, pressure_ratio, nozzle=a), 2e-3, 2e-2, xtol=1e-9
        )
        self._full = self._air(1.0, pressure_ratio)

    def flow(self, speed: float, load: float) -> float:
        """Air flow as a share of full flow. speed, load : shares of rated speed and full load."""
        return self._air(speed, self._ratio(speed, load)) / self._full

    def _ratio(self, speed: float, load: float) -> float:
        if self._surplus(speed, load, 1.0001) <= 0:
            return 1.0
        if self._surplus(speed, load, self.pressure_ratio) >= 0:
            return self.pressure_ratio  # the waste gate opens
        return float(brentq(lambda r: self._surplus(speed, load, r), 1.0001, self.pressure_ratio))

    def _manifold_k(self, ratio: float) -> float:
        compressed_k = T1 * (1 + (ratio**0.2857 - 1) / COMPRESSOR)
        return compressed_k - COOLED * (compressed_k - T1)

    def _air(self, speed: float, ratio: float) -> float:
        """kg/s of an engine that displaces two cubic metres a second at rated speed."""
        return speed * ratio * P1 / (AIR_R * self._manifold_k(ratio))

    def _surplus(self, speed: float, load: float, ratio: float, nozzle: float | None = None) -> float:
        """Power of the turbine less that of the compressor, at a boost. [W]"""
        area = self._nozzle if nozzle is None else nozzle
        air = self._air(speed, ratio)
        fuel = self._fuel * load * speed
        gas = air + fuel
        gas_k = self._manifold_k(ratio) + TO_EXHAUST * fuel * HEAT_J_PER_KG / (gas * GAS_CP)
        before_pa = self._before_turbine(gas, gas_k, area)
        turbine = TURBINE * gas * GAS_CP * gas_k * (1 - (P1 / before_pa) ** GAS_POWER)
        compressor = air * AIR_CP * T1 * (ratio**0.2857 - 1) / COMPRESSOR
        return turbine - compressor

    @staticmethod
    def _before_turbine(gas: float, gas_k: float, area: float) -> float:
        """Pressure that drives so much gas through the nozzle. [Pa]"""

        def through(before_pa: float) -> float:
            down = max(P1 / before_pa, 0.54)  # choked beyond
            root = down**1.504 - down**1.752  # kappa 1.33
            return area * before_pa / np.sqrt(AIR_R * gas_k) * np.sqrt(max(root, 0.0) * 8.06)

        return float(brentq(lambda p: through(p) - gas, P1, P1 * 100, xtol=1.0))


@cache
def engine(pressure_ratio: float, opens_at: tuple[float, float] = (1.0, 1.0)) -> Engine:
    """An engine, made once."""
    return Engine(pressure_ratio=pressure_ratio, opens_at=opens_at)
