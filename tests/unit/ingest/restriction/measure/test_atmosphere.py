"""Standard atmosphere against ISO 2533 (the same as US Standard Atmosphere 1976 below 11 km)."""

import pytest

from cleanside.ingest.restriction.measure.atmosphere import (
    air_density_kg_m3,
    standard_pressure_pa,
    standard_temperature_k,
)

# Altitude [geopotential m], temperature [K], pressure [Pa], density [kg/m3]. Values agree with the PyPI
# packages ambiance 1.3.1 (within 0.03 Pa) and fluids 1.3.1 (0.001 Pa) after conversion to geometric height.
ISO_2533 = [
    (-500, 291.40, 107477.51, 1.28489),
    (0, 288.15, 101325.00, 1.22500),
    (500, 284.90, 95460.84, 1.16727),
    (1000, 281.65, 89874.57, 1.11164),
    (2000, 275.15, 79495.22, 1.00649),
    (3000, 268.65, 70108.54, 0.90912),
    (4000, 262.15, 61640.24, 0.81913),
    (5000, 255.65, 54019.91, 0.73612),
]


@pytest.mark.parametrize(("altitude_m", "kelvin", "pascal", "density"), ISO_2533)
def test_pressure_temperature_and_density_are_those_of_iso_2533(altitude_m, kelvin, pascal, density):
    assert float(standard_pressure_pa(altitude_m)) == pytest.approx(pascal, abs=0.05)
    assert float(standard_temperature_k(altitude_m)) == pytest.approx(kelvin, abs=1e-9)
    assert float(air_density_kg_m3(pascal, kelvin)) == pytest.approx(density, abs=2e-5)
