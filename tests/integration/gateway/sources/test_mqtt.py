"""Topics of a real MQTT broker (nats-server, MQTT 3.1.1), killed and lost like everything else."""

from __future__ import annotations

import gc
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import trustme

from cleanside.gateway.errors import SettingsWrong, SourceAway, SourceWrong
from cleanside.gateway.sources import Context, find_source
from cleanside.gateway.sources.mqtt import MqttSource
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.wire import Reading
from tests.support.brokering import Broker
from tests.support.coded import refused
from tests.support.gatewaying import wait_until

NUMBER = "genset-1/intake"
OBJECT = "genset-1/panel"
TOPICS = {NUMBER: "restriction kPa", OBJECT: {"dp": "restriction kPa", "rpm": "engine_speed r/min"}}


class Bench:
    """A source in a thread of its own, and what it emitted, reported and marked."""

    def __init__(self, broker: Broker, **options: Any) -> None:
        self.readings: list[Reading] = []
        self.reports: list[dict[str, Any]] = []
        self.mark: str | None = None
        self.failure: BaseException | None = None
        self.disk_works = True
        self._context = Context(
            name="mqtt-1",
            clock=SystemClock(),
            mark=lambda: self.mark,
            report=self._report,
            report_part=self._report,
            report_unwanted=self._report,
        )
        given = {"host": "127.0.0.1", "port": broker.port, "client": "gateway-1", "topics": TOPICS}
        self._options = given | options
        self.begin()

    def begin(self) -> None:
        """Start the source, again after `end`."""
        self.stop = threading.Event()
        self._source = MqttSource(self._options, self._context)
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        try:
            self._source.run(self._emit, self.stop)
        except Exception as error:
            self.failure = error

    def _report(self, what: str, **fields: Any) -> None:
        self.reports.append({"what": what, **fields})

    def _emit(self, readings: Sequence[Reading], *, mark: str | None = None) -> None:
        assert mark is not None  # without one it would return for what is in memory only
        if not self.disk_works:
            raise OSError("the disk does not take it")
        self.readings += readings
        self.mark = mark

    def values(self) -> list[float]:
        """The restriction of each reading, in the order of arrival."""
        return [r.values["restriction"] for r in self.readings]

    def until(self, count: int) -> None:
        """Wait for so many readings and reports together."""
        wait_until(
            lambda: len(self.readings) + len(self.reports) >= count, f"{count} messages", deadline_s=15
        )

    def end(self) -> None:
        """Stop, and wait."""
        self.stop.set()
        self.thread.join(5)
        assert not self.thread.is_alive()


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with Broker(tmp_path_factory.mktemp("broker")) as made:
        yield made


@pytest.fixture
def bench(broker: Broker, request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(broker, client=f"gateway-{request.node.name[:60]}")
    while not made.readings:  # until the topics are taken nothing published would come
        assert made.failure is None, made.failure
        broker.publish(NUMBER, "-1")
    broker.publish(NUMBER, "-2")
    wait_until(lambda: -2 in made.values(), "the last of them", deadline_s=15)
    made.readings.clear()
    yield made
    made.end()


def test_it_is_found_under_its_name() -> None:
    assert find_source("mqtt") is MqttSource


def test_a_number_or_an_object_is_a_reading_stamped_on_arrival_or_with_its_own_time(
    broker: Broker, bench: Bench
) -> None:
    broker.publish(NUMBER, "3.05")
    bench.until(1)
    broker.publish(OBJECT, {"dp": 3, "rpm": 1500, "at": "2026-03-02T06:14:07.250Z", "at_uncertainty_s": 2})
    bench.until(2)
    first, second = bench.readings
    assert (first.at, dict(first.values)) == (None, {"restriction": 3.05})
    assert dict(second.values) == {"restriction": 3, "engine_speed": 1500}
    assert second.at is not None
    assert second.at.isoformat() == "2026-03-02T06:14:07.250000+00:00"
    assert second.at_uncertainty_s == 2
    assert second.units == {"restriction": "kPa", "engine_speed": "r/min"}


@pytest.mark.parametrize(
    ("topic", "text"),
    [
        (NUMBER, "3,05"),
        (NUMBER, '"3.05"'),
        (NUMBER, "NaN"),
        (NUMBER, "true"),
        (NUMBER, '{"dp": 3}'),
        (OBJECT, "3.05"),
        (OBJECT, '{"dp": "3"}'),
        (OBJECT, '{"dp": 3, "dp": 4}'),
        (OBJECT, '{"dq": 3}'),
        (OBJECT, '{"dp": 3, "at": "02.03.2026 06:14"}'),
        (OBJECT, '{"dp": 3, "x": "' + "y" * 70_000 + '"}'),
    ],
)
def test_a_message_that_is_not_as_specified_is_reported_and_the_next_one_is_read(
    broker: Broker, bench: Bench, topic: str, text: str
) -> None:
    broker.publish(topic, text)
    broker.publish(NUMBER, "4.5")
    wait_until(lambda: 4.5 in bench.values(), "the next one", deadline_s=15)
    assert bench.values() == [4.5]
    assert [report["what"] for report in bench.reports] == ["message_not_read"]
    assert bench.reports[0]["topic"] == topic


def test_what_can_be_read_of_a_message_is_kept_and_the_rest_is_said(broker: Broker, bench: Bench) -> None:
    broker.publish(OBJECT, {"dp": 2.5, "firmware": "1.4"})
    wait_until(lambda: 2.5 in bench.values(), "what can be read", deadline_s=15)
    assert [report["what"] for report in bench.reports] == ["message_read_in_part"]
    assert "pass_over" in bench.reports[0]["reason"]


def test_members_that_are_not_wanted_can_be_passed_over(broker: Broker) -> None:
    bench = Bench(broker, client="gateway-pass-over", pass_over=["firmware"])
    for _ in range(100):
        broker.publish(OBJECT, {"dp": 2.5, "firmware": "1.4"})
        if bench.readings:
            break
    assert bench.values()[0] == 2.5
    bench.end()


def test_what_was_published_while_the_gateway_was_off_comes_when_it_is_back(
    broker: Broker, bench: Bench
) -> None:
    bench.end()
    broker.publish(NUMBER, *[str(n) for n in range(100)])
    bench.begin()
    bench.until(100)
    assert bench.values() == [*range(100)]


def test_a_reading_that_the_disk_did_not_take_comes_again(broker: Broker, bench: Bench) -> None:
    bench.disk_works = False
    broker.publish(NUMBER, "7.5")
    bench.thread.join(15)
    assert isinstance(bench.failure, OSError)  # the feed says so and starts it again
    assert bench.readings == []
    bench.disk_works = True
    bench.begin()
    bench.until(1)
    assert bench.values() == [7.5]


def test_a_message_that_comes_again_with_its_own_time_is_appended_once(broker: Broker, bench: Bench) -> None:
    timed = {"dp": 3, "at": "2026-03-02T06:14:07Z"}
    broker.publish(OBJECT, timed)
    bench.until(1)
    bench.end()
    bench.begin()  # from its mark, as after a kill
    broker.publish(OBJECT, timed, timed | {"at": "2026-03-02T06:14:08Z"})
    bench.until(2)
    assert [r.at.second for r in bench.readings if r.at] == [7, 8]
    broker.publish(NUMBER, "3", "3")  # bare numbers may well be equal, and are two readings
    bench.until(4)


def test_a_retained_message_is_no_measurement_of_now(broker: Broker) -> None:
    broker.publish("genset-1/old", "9.5", retain=True)
    bench = Bench(broker, client="gateway-retained", topics={"genset-1/old": "restriction kPa"})
    bench.until(1)
    assert bench.readings == []
    assert "retained" in bench.reports[0]["reason"]
    bench.end()
    broker.publish("genset-1/old", "", retain=True)


def test_a_topic_of_an_earlier_life_is_reported_and_given_up(broker: Broker, bench: Bench) -> None:
    bench.end()
    broker.publish(NUMBER, "1.5")
    bench._options["topics"] = {OBJECT: TOPICS[OBJECT]}
    bench.begin()
    bench.until(1)
    assert bench.readings == []
    assert "not among those of this source" in bench.reports[0]["reason"]


def test_a_broker_that_is_killed_is_said_to_be_lost_and_found_again_by_a_new_start(tmp_path: Path) -> None:
    with Broker(tmp_path) as broker:
        bench = Bench(broker)
        while not bench.readings:
            broker.publish(NUMBER, "1.5")
        broker.kill()
        bench.thread.join(10)
        assert isinstance(bench.failure, ConnectionError)
        assert isinstance(bench.failure, SourceAway)
        assert bench.failure.code == "broker_lost"
        bench.begin()
        bench.thread.join(10)
        assert f"127.0.0.1:{broker.port}" in str(bench.failure)
        broker.start()
        bench.begin()

        def has_come() -> bool:
            broker.publish(NUMBER, "2.5")  # again and again: the new broker knows no subscription yet
            return 2.5 in bench.values()

        wait_until(has_come, "the reading after", deadline_s=15)
        bench.end()


def test_a_wrong_password_is_said_to_be_so(tmp_path: Path) -> None:
    password = tmp_path / "password"
    password.write_text("right\n")
    with Broker(tmp_path, user="gateway", password="right") as broker:
        wrong = tmp_path / "wrong"
        wrong.write_text("wrong")
        bench = Bench(broker, user="gateway", password_file=str(wrong))
        bench.thread.join(15)
        assert isinstance(bench.failure, SourceAway)
        assert bench.failure.code == "broker_refuses_connection"
        assert "right" not in str(bench.failure)
        bench = Bench(broker, user="gateway", password_file=str(password))
        bench.thread.join(1)
        assert bench.failure is None
        bench.end()


# paho-mqtt leaves the socket of a handshake that failed to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_the_broker_is_verified_and_asked_for_by_name(tmp_path: Path) -> None:
    authority, stranger = trustme.CA(), trustme.CA()
    authority.cert_pem.write_to_path(str(tmp_path / "ca.pem"))
    stranger.cert_pem.write_to_path(str(tmp_path / "stranger.pem"))
    ours = authority.issue_cert("127.0.0.1")
    ours.private_key_and_cert_chain_pem.write_to_path(str(tmp_path / "broker.pem"))
    tls = f'cert_file: "{tmp_path}/broker.pem", key_file: "{tmp_path}/broker.pem"'
    with Broker(tmp_path, tls=tls) as broker:
        for trusted in (tmp_path / "stranger.pem", None):
            given = {} if trusted is None else {"ca_file": str(trusted)}
            bench = Bench(broker, tls=True, **given)
            bench.thread.join(15)
            assert "certificate verify failed" in str(bench.failure)
            del bench
            gc.collect()
        bench = Bench(broker, tls=True, ca_file=str(tmp_path / "ca.pem"))
        bench.thread.join(1)
        assert bench.failure is None
        bench.end()


@pytest.mark.parametrize(
    ("options", "code", "values"),
    [
        ({"host": ""}, "option_missing", {"name": "host"}),
        ({"client": ""}, "option_missing", {"name": "client"}),
        ({"topics": {}}, "topics_missing", {}),
        ({"topics": {"genset-1/#": "restriction kPa"}}, "topic_not_one", {}),
        ({"topics": {"a": "restriction furlong"}}, "unit_not_accepted", {"quantity": "restriction"}),
        ({"topics": {"a": 3}}, "topic_meaning_unknown", {}),
        ({"topics": {"a": {"at": "restriction kPa"}}}, "member_tells_time", {"reserved": "at"}),
        ({"topics": {"a": {"x": "restriction kPa", "y": "restriction Pa"}}}, "quantity_twice_in_topic", {}),
        ({"port": 0}, "option_not_a_whole_number", {"name": "port", "lowest": 1, "highest": 65535}),
        ({"qos": 2}, "option_not_a_whole_number", {"name": "qos", "lowest": 0, "highest": 1}),
        ({"tls": "perhaps"}, "option_not_a_switch", {"name": "tls"}),
        ({"pass_over": "x"}, "option_not_a_list_of_texts", {"name": "pass_over"}),
        ({"password_file": "p"}, "password_without_user", {}),
        (
            {"host": "broker.example", "user": "u", "password_file": "p"},
            "password_in_the_clear",
            {"host": "broker.example"},
        ),
        ({"ca_file": "ca.pem"}, "certificates_without_tls", {}),
        ({"clean_session": True}, "option_unknown", {"options": "clean_session"}),
    ],
)
def test_options_that_cannot_work_are_refused(
    options: dict[str, Any], code: str, values: dict[str, Any]
) -> None:
    context = Context(name="mqtt-1", clock=SystemClock(), mark=lambda: None, report=lambda *_, **__: None)
    given = {"host": "127.0.0.1", "client": "gateway-1", "topics": TOPICS}
    with refused(SourceWrong, code, **values):
        MqttSource(given | options, context)


def test_a_password_file_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    context = Context(name="mqtt-1", clock=SystemClock(), mark=lambda: None, report=lambda *_, **__: None)
    given = {"host": "127.0.0.1", "client": "g", "topics": TOPICS, "user": "u"}
    source = MqttSource(given | {"password_file": str(tmp_path / "none")}, context)
    with refused(SettingsWrong, "secret_unreadable", check="password_file"):
        source.run(lambda *_, **__: None, threading.Event())
