"""When a delivery is tried again, and when it is given up. Pure."""

from __future__ import annotations

import pytest

from cleanside.ingest.store.delivery_failures import Failure
from cleanside.ingest.store.outbox import Delivery
from cleanside.ingest.webhooks.courier import FIRST_WAIT_S, LONGEST_WAIT_S, settled, wait_s
from cleanside.ingest.webhooks.sending import Failed

DAY_US = 86_400_000_000
WAITING = Delivery(1, 7, "waiting", 0, None, 0, None, None, None, "cleanside.state.changed", "s", 0, "{}")
FAILED = Failed(Failure("status", {"status": 500}))


def after(failed: Failed | None, *, now_us: int = 0, first_us: int | None = None) -> dict[str, object]:
    delivery = Delivery(1, 7, "waiting", 3, first_us, 0, None, None, None, "t", "s", 0, "{}")
    return dict(settled(delivery, failed, now_us=now_us, give_up_us=3 * DAY_US, jitter=1.0))


def test_waits_double_up_to_an_hour_and_are_never_all_at_once() -> None:
    assert [wait_s(tries, 1.0) for tries in (0, 1, 2)] == [FIRST_WAIT_S, 2 * FIRST_WAIT_S, 4 * FIRST_WAIT_S]
    assert wait_s(1_000, 1.0) == LONGEST_WAIT_S
    assert wait_s(0, 0.0) == FIRST_WAIT_S / 2


def test_what_is_taken_is_delivered() -> None:
    values = settled(WAITING, None, now_us=5, give_up_us=DAY_US, jitter=0.0)
    assert (values["state"], values["settled_us"], values["tries"]) == ("delivered", 5, 1)


def test_what_fails_waits_and_says_why() -> None:
    values = after(FAILED)
    assert "state" not in values
    assert (values["reason"], values["next_us"]) == ("status 500", int(8 * FIRST_WAIT_S * 1e6))


@pytest.mark.parametrize(("asked_s", "waited_s"), [(600.0, 600.0), (1.0, 40.0), (1e9, LONGEST_WAIT_S)])
def test_a_receiver_may_ask_for_longer_within_bounds(asked_s: float, waited_s: float) -> None:
    assert after(Failed(FAILED.why, asked_s))["next_us"] == int(waited_s * 1e6)


def test_the_days_are_counted_from_the_first_try_and_not_from_the_cause() -> None:
    """A server that was away for a week gives nothing up because of that."""
    assert "state" not in after(FAILED, now_us=7 * DAY_US)
    assert after(FAILED, now_us=7 * DAY_US, first_us=5 * DAY_US).get("state") is None
    assert after(FAILED, now_us=7 * DAY_US, first_us=4 * DAY_US)["state"] == "dead"
