"""What is stored reaches the analysis."""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from cleanside.ingest.analysis.summarising import COLUMNS, as_readings
from cleanside.ingest.restriction import Readings

NOT_STORED = {"at_s", "device"}  # the instant and the device stand beside the values of a reading


def test_every_measurement_that_the_analysis_knows_is_read_from_the_store() -> None:
    assert set(COLUMNS) == {field.name for field in fields(Readings)} - NOT_STORED


def test_the_engine_load_of_a_reading_reaches_the_analysis() -> None:
    part = {"at_us": np.array([0, 1_000_000]), "engine_load_ratio": np.array([0.2, 0.9])}
    readings = as_readings([(1, part)])
    assert readings.engine_load_ratio is not None
    assert readings.engine_load_ratio.tolist() == [0.2, 0.9]
