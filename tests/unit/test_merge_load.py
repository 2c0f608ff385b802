"""What the comparison of `tests.fault.kill_merging` notices: without it no kill would ever show anything."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.merge_load import NotKept, compare_page
from tests.support.serving import batch

SENT = {"s": {1: 3.0, 2: 3.1, 3: 3.2}}
PAGE = [
    {"stream": "s", "seq": reading["seq"], "at": reading["at"], "restriction": reading["restriction"]}
    for reading in batch(1, [3.0, 3.1, 3.2])["readings"]
]


def compare(page: list[Any], *, acknowledged: set[int], is_last: bool = True) -> None:
    compare_page(1, page, {"s": acknowledged}, SENT, is_last=is_last)


def test_what_was_sent_is_kept_whether_acknowledged_or_not_yet() -> None:
    compare(PAGE, acknowledged={1, 2})
    compare(PAGE[:2], acknowledged={1, 2})
    compare(PAGE[:2], acknowledged={1, 2, 3}, is_last=False)  # the third is on the next page


@pytest.mark.parametrize(
    "page",
    [
        [PAGE[0], PAGE[2]],
        [PAGE[0], PAGE[1], PAGE[1], PAGE[2]],
        [PAGE[0], PAGE[1] | {"restriction": 3.2}, PAGE[2]],
        [PAGE[0], PAGE[1] | {"at": PAGE[2]["at"]}, PAGE[2]],
        [*PAGE, PAGE[2] | {"seq": 4}],
    ],
    ids=["lost", "doubled", "another value", "another time", "never sent"],
)
def test_what_is_not_as_it_was_sent_is_found(page: list[Any]) -> None:
    with pytest.raises(NotKept):
        compare(page, acknowledged={1, 2, 3})
