"""The questions to the forecast: what their tables say, at sizes that a test can wait for."""

from __future__ import annotations

from itertools import islice

from tests.benchmark import bench_forecast_questions as questions


def test_noise_ends_lives_early_only_where_the_first_row_at_terminal_ends_them() -> None:
    """Correlation of length seen over true with the noise: by the smoothed level there is none."""
    _, _, *rows = questions.noise(2, 50)
    found = {line[:30].strip(): float(line[30:].split()[0]) for line in rows}
    assert found["first row at terminal"] < -0.4
    assert found["first row at terminal"] < found["first row that is confirmed"] < -0.2
    assert abs(found["smoothed level"]) < 0.2


def test_labels_are_worth_something_where_kinds_are_censored() -> None:
    _, of_four_lives = islice(questions.labels(1, 51), 2)
    assert float(of_four_lives.split()[3]) < 1.0
