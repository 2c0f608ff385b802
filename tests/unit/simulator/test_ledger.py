"""The campaign's own ledger: what was answered is in the file, and what was not at the end."""

from __future__ import annotations

import json
from pathlib import Path

from cleanside.simulator.ledger import Ledger, WrittenReading, read_ledger

DEVICE = "grader-07-intake"


def written(number: int) -> WrittenReading:
    return WrittenReading(
        writer=DEVICE,
        device=DEVICE,
        number=number,
        sent_us=1_000 * number,
        restriction_pa=3050.5,
        supply_voltage_v=27.5,
    )


def test_what_was_answered_stands_in_the_file_and_the_rest_once_it_is_over(tmp_path: Path) -> None:
    path = tmp_path / "ledger"
    with Ledger(path) as ledger:
        for number in (1, 2, 3):
            ledger.write(written(number))
        assert path.read_text() == "", "nothing is kept before its gateway said so"
        ledger.answer((DEVICE, 2), is_kept=True, now_us=2_500)
        ledger.answer((DEVICE, 1), is_kept=False, now_us=2_600)
        assert ledger.entries()[DEVICE, 3].is_kept is None
        ledger.finish()
        in_memory = ledger.entries()
    assert read_ledger(path) == in_memory
    assert [json.loads(line)["number"] for line in path.read_text().splitlines()] == [2, 1, 3]
    assert {key[1]: entry.is_kept for key, entry in in_memory.items()} == {1: False, 2: True, 3: None}
    assert in_memory[DEVICE, 2].answered_us == 2_500
