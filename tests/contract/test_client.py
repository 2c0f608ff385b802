"""The client that integrators import, against a real server; and over links and servers that misbehave."""

from __future__ import annotations

import itertools
import re
import typing
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import pytest

from cleanside.gateway import wire
from cleanside.gateway.client import typed_answers
from cleanside.gateway.client.batches import NotPostable, batch_of, body_of, halves
from cleanside.gateway.client.client import (
    Client,
    KeyRefused,
    NotThere,
    Posted,
    Reading,
    RequestRefused,
    ServerAway,
)
from cleanside.gateway.errors import SettingsWrong
from tests.support.coded import refused
from tests.support.databases import migrated_sqlite
from tests.support.link import Link
from tests.support.serving import DEVICE, ServerProcess, as_process

NUMBERS = itertools.count(1)
START = datetime(2026, 3, 2, 6, tzinfo=UTC)
STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
PAGE = (Path(__file__).parents[2] / "ingest" / "docs" / "integrators.md").read_text()


def readings(count: int, *, unit: str = "kPa", first: int = 0, value: float = 3.0) -> list[Reading]:
    return [
        Reading(
            at=START + timedelta(seconds=10 * (first + i)),
            values={"restriction": value + i % 10 / 100},
            units={"restriction": unit},
        )
        for i in range(count)
    ]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    """One real server for all: each test uses a device of its own."""
    devices = [DEVICE, *(f"device-{i}" for i in range(20))]
    with as_process(migrated_sqlite(tmp_path_factory.mktemp("client")), devices=devices) as running:
        yield running


@pytest.fixture
def connect(server: ServerProcess) -> Iterator[Callable[..., Client]]:
    """Clients with the key of a role."""
    opened: list[Client] = []

    def with_key(role: str = "device", url: str = "", **more: Any) -> Client:
        opened.append(
            Client(url or server.url, key=server.tokens[role], **({"give_up_after_s": 20.0} | more))
        )
        return opened[-1]

    yield with_key
    for client in opened:
        client.close()


@pytest.fixture
def device(connect: Callable[..., Client]) -> str:
    """A registered device of the test's own, on a machine of its own."""
    name = f"device-{next(NUMBERS)}"
    admin = connect("admin")
    admin.register_machine(f"machine-of-{name}", kind="grader")
    admin.register_device(name, machine=f"machine-of-{name}")
    return name


# ---------------------------------------------------------------- post


@pytest.mark.parametrize("layout", ["columns", "readings"])
def test_both_layouts_mean_the_same(layout: Any) -> None:
    batch = batch_of(DEVICE, readings(3), stream=STREAM, first_seq=7)
    assert wire.decode(body_of(batch, layout)) == wire.decode(body_of(batch, "columns"))
    assert list(wire.decode(body_of(batch, layout)).seq or ()) == [7, 8, 9]


def test_what_is_posted_twice_is_stored_once(connect: Callable[..., Client], device: str) -> None:
    first = connect().post(device, readings(20))
    again = connect().post(device, readings(20), layout="readings")
    assert (first.stored, first.duplicates, first.acknowledged_through) == (20, 0, None)
    assert (again.stored, again.duplicates) == (0, 20)


def test_numbered_readings_are_acknowledged_as_a_prefix(server: ServerProcess) -> None:
    with Client(server.url, key=server.tokens["admin"]) as admin:
        admin.register_device("device-0")
    with Client(server.url, key=server.tokens["device"]) as client:
        posted = client.post("device-0", readings(12_000), stream=STREAM)  # three batches
        assert (posted.stored, posted.acknowledged_through, posted.gaps) == (12_000, 12_000, ())
        # Asked again after a lost reply: the mark lies beyond what is posted now.
        again = client.post("device-0", readings(5), stream=STREAM)
        assert (again.duplicates, again.acknowledged_through) == (5, 12_000)
        beyond = client.post("device-0", readings(10, first=13_000), stream=STREAM, first_seq=13_001)
        assert (beyond.acknowledged_through, beyond.gaps) == (12_000, ((12_001, 13_000),))


def test_two_units_of_one_quantity_go_in_two_batches(connect: Callable[..., Client], device: str) -> None:
    mixed = [*readings(5, first=100), *readings(5, unit="inH2O", first=105, value=12.0)]
    assert connect().post(device, mixed) == Posted(stored=10)


def test_quarantined_readings_are_named_by_their_place_in_the_call(
    connect: Callable[..., Client], device: str
) -> None:
    given = [*readings(3, first=200), *readings(1, unit="IN WC", first=203), *readings(1, first=204)]
    posted = connect().post(device, given)
    assert posted.stored == 4
    assert [(note.first, note.last, note.code) for note in posted.quarantined] == [
        (3, 3, "unit_not_accepted")
    ]
    held = list(connect("operator").quarantine(device=device))
    assert [entry["code"] for entry in held] == ["unit_not_accepted"]
    assert held[0]["content"]["restriction"] == 3.0


def test_a_reading_without_a_time_is_the_callers_mistake(connect: Callable[..., Client]) -> None:
    with refused(NotPostable, "no_time", index=0):
        connect().post(DEVICE, [Reading(values={"restriction": 3.0}, units={"restriction": "kPa"})])


def test_lost_replies_are_sent_again_and_stored_once(
    server: ServerProcess, connect: Callable[..., Client], device: str
) -> None:
    with Link(server.port) as link:
        client = connect(url=link.url, sleep=lambda _: None)
        link.lose_replies(3)
        posted = client.post(device, readings(30, first=300))
        assert link.replies_lost == 3
    assert (posted.stored, posted.duplicates) == (0, 30)  # they were stored when the replies were lost
    account = connect("operator").account()
    assert account["balances"]


# ---------------------------------------------------------------- what comes back


def test_a_key_that_is_not_for_the_device_says_what_to_do(connect: Callable[..., Client]) -> None:
    with pytest.raises(KeyRefused) as refused:
        connect().post("of-nobody", readings(1))
    assert (refused.value.status, refused.value.code) == (403, "key_not_for_device")
    assert "bound to this device" in refused.value.next_step
    assert len(refused.value.request_id) == 16


def test_what_is_not_there_is_not_there(connect: Callable[..., Client]) -> None:
    with pytest.raises(NotThere) as missing:
        connect("planner").machine("nothing")
    assert missing.value.code == "unknown_machine"


def test_all_problems_of_a_request_are_told(connect: Callable[..., Client]) -> None:
    limit = {"value": 25, "unit": "IN WC"}
    with pytest.raises(RequestRefused) as refused:
        connect("admin").register_machine("x", housings=[{"housing": "m", "terminal_restriction": limit}])
    assert refused.value.errors[0]["pointer"] == "#/housings/0/terminal_restriction/unit"


class Scripted:
    """A server that answers from a script, and a clock that only waiting moves."""

    def __init__(self, *replies: httpx.Response | Exception) -> None:
        self.replies = list(replies)
        self.asked: list[httpx.Request] = []
        self.waits_s: list[float] = []

    def client(self, *, jitter: float = 1.0, **more: Any) -> Client:
        def answer(request: httpx.Request) -> httpx.Response:
            self.asked.append(request)
            reply = self.replies.pop(0) if len(self.replies) > 1 else self.replies[0]
            if isinstance(reply, Exception):
                raise reply
            return reply

        return Client(
            "http://127.0.0.1:1",
            key="k",
            transport=httpx.MockTransport(answer),
            sleep=self.waits_s.append,
            monotonic_s=lambda: sum(self.waits_s),
            jitter=lambda: jitter,
            **more,
        )


def problem(status: int, code: str, **headers: str) -> httpx.Response:
    named = {"Content-Type": "application/problem+json"} | {
        k.replace("_", "-"): v for k, v in headers.items()
    }
    return httpx.Response(status, json={"code": code, "detail": code}, headers=named)


TAKEN = httpx.Response(
    200, json={"stored": 1, "duplicates": 0, "quarantined": [], "server_time": "2026-03-02T09:00:00Z"}
)


def test_waits_grow_with_full_jitter_and_the_server_may_ask_for_its_own() -> None:
    busy = [problem(503, "overloaded"), problem(503, "overloaded", Retry_After="7"), httpx.Response(502)]
    script = Scripted(httpx.ConnectError("gone"), *busy, TAKEN)
    with script.client(jitter=0.5) as client:
        assert client.post(DEVICE, readings(1)).stored == 1
    assert script.waits_s[1] == 2 * script.waits_s[0]
    assert script.waits_s[2] == 7
    assert script.waits_s[3] == 8 * script.waits_s[0]
    with Scripted(httpx.ConnectError("gone"), TAKEN).client(jitter=0.0) as client:
        assert client.post(DEVICE, readings(1)).stored == 1


def test_a_server_that_stays_away_is_given_up_in_time() -> None:
    script = Scripted(problem(503, "store_unavailable", Retry_After="40"))
    with script.client(give_up_after_s=100.0) as client, pytest.raises(ServerAway) as away:
        client.post(DEVICE, readings(1))
    assert (away.value.code, away.value.status) == ("store_unavailable", 503)
    assert sum(script.waits_s) == 80


@pytest.mark.parametrize(
    "reply",
    [
        httpx.Response(200, html="<h1>Accept the terms of this hotspot</h1>"),
        httpx.Response(302, headers={"Location": "https://portal.example"}),
        httpx.Response(404, text="nginx"),
        httpx.Response(200, json={"ok": True}),
    ],
    ids=["a portal's page", "a redirect", "not found, and not by us", "another's JSON"],
)
def test_what_is_not_our_server_is_no_acknowledgement(reply: httpx.Response) -> None:
    script = Scripted(reply)
    with script.client(give_up_after_s=0.0) as client, pytest.raises(ServerAway):
        client.post(DEVICE, readings(1))


def test_a_batch_over_the_limit_is_halved_until_it_fits() -> None:
    script = Scripted(problem(413, "body_too_large"), problem(413, "body_too_large"), TAKEN)
    with script.client() as client:
        assert client.post(DEVICE, readings(8)).stored == 3
    sent = [len(wire.decode(r.content)) for r in script.asked]
    assert sent == [8, 4, 2, 2, 4]


def test_a_server_without_zstd_gets_gzip_and_then_plain() -> None:
    script = Scripted(problem(415, "coding_not_supported"), problem(415, "coding_not_supported"), TAKEN)
    with script.client() as client:
        client.post(DEVICE, readings(500))
        client.post(DEVICE, readings(500))
    assert [r.headers.get("Content-Encoding") for r in script.asked] == ["zstd", "gzip", None, None]


@pytest.mark.parametrize("server", ["http://shop.example", "ftp://x", "https://u:p@shop.example"])
def test_a_key_never_leaves_in_the_clear(server: str) -> None:
    with pytest.raises(SettingsWrong) as wrong:
        Client(server, key="k")
    assert wrong.value.code in ("key_in_the_clear", "not_an_address", "address_with_more")


# ---------------------------------------------------------------- read


def test_lists_are_read_page_after_page(connect: Callable[..., Client]) -> None:
    admin = connect("admin")
    names = [f"paged-{i:03}" for i in range(7)]
    for name in names:
        admin.register_machine(name)
    pages = admin.pages("/v1/machines", "machines", {"limit": "2"})
    seen = [machine["machine"] for machine in pages]
    assert [name for name in seen if name in names] == names
    assert seen == [machine["machine"] for machine in admin.machines()]
    assert [m["machine"] for m in islice(admin.machines(), 1)] == seen[:1]


def test_what_is_known_of_a_machine_is_read(connect: Callable[..., Client], device: str) -> None:
    connect().post(device, readings(10, first=400))
    planner = connect("planner")
    state = planner.restriction(f"machine-of-{device}", since=START)
    assert (state["housing"], state["state"]) in [("main", "silent"), ("main", "running-in")]
    assert any(h["machine"] == f"machine-of-{device}" for h in planner.fleet())
    assert isinstance(planner.lives(f"machine-of-{device}"), list)
    assert isinstance(planner.elements(f"machine-of-{device}"), list)
    assert device in [d["device"] for d in planner.devices()]


def test_stored_readings_come_back_in_the_unit_that_is_wanted(
    connect: Callable[..., Client], device: str
) -> None:
    connect().post(device, readings(1_500, first=1_000))
    since = START + timedelta(seconds=10 * 1_000)
    found = list(connect("planner").readings(device, since=since, units={"restriction": "kPa"}))
    expected = [3.0 + i % 10 / 100 for i in range(1_500)]
    assert [reading["restriction"] for reading in found] == pytest.approx(expected)
    si = next(iter(connect("planner").readings(device, since=since, until=since + timedelta(seconds=1))))
    assert (si["restriction"], si["at"]) == (3000.0, wire.instant_text(wire.us_of(since)))


# ---------------------------------------------------------------- what is promised about it


#: typed dictionary -> schema of the description
SAME = {
    "Terminal": "TerminalShown",
    "Seated": "SeatedDevice",
    "Seat": "SeatShown",
    "Housing": "HousingShown",
    "Machine": "MachineAnswer",
    "Reported": "ReportedShown",
    "StreamOfDevice": "StreamOfDevice",
    "Device": "DeviceAnswer",
    "Said": "SaidShown",
    "TrendLevels": "TrendShown",
    "Came": "CameShown",
    "SuspectCause": "SuspicionShown",
    "Question": "QuestionShown",
    "Points": "Points",
    "Dates": "Dates",
    "NextService": "ServiceShown",
    "LaidUp": "LaidUpShown",
    "Planned": "PlannedShown",
    "MovedTo": "MovedToShown",
    "LevelInDoubt": "LevelInDoubtShown",
    "NoMonitor": "NoMonitorShown",
    "WithoutKey": "WithoutKeyShown",
    "KeyEnded": "KeyEndedShown",
    "OtherReading": "OtherReadingShown",
    "Otherwise": "OtherwiseShown",
    "RestingEntry": "RestingEntryShown",
    "SameWork": "SameWork",
    "HousingState": "HousingAnswer",
    "SeriesPoint": "SeriesPoint",
    "HousingSeries": "RestrictionAnswer",
    "MovedDate": "DateMovedShown",
    "ElementLife": "LifeShown",
    "ElementCleaning": "CleaningShown",
    "ElementAccount": "ElementAccountShown",
    "ReferenceFlow": "ReferenceShown",
    "StoredReading": "ReadingShown",
    "Reason": "Reason",
    "KeptAs": "KeptAs",
    "QuarantineEntry": "EntryShown",
    "DeclaredEvents": "DeclaredShown",
    "StreamAccount": "StreamAccount",
    "Account": "AccountAnswer",
}


def test_the_typed_answers_are_those_of_the_description(server: ServerProcess) -> None:
    with server.client(None) as http:  # it has time enough to be described on a busy machine
        schemas = http.get("/openapi.json").json()["components"]["schemas"]
    typed = {name for name, value in vars(typed_answers).items() if typing.is_typeddict(value)}
    assert typed == SAME.keys()
    for name, schema in SAME.items():
        hints = typing.get_type_hints(getattr(typed_answers, name), include_extras=True)
        assert hints.keys() == schemas[schema]["properties"].keys(), name
        optional = {k for k, v in hints.items() if typing.get_origin(v) is typing.NotRequired}
        assert hints.keys() - optional == set(schemas[schema]["required"]), name


def test_the_package_says_that_it_is_typed() -> None:
    """PEP 561."""
    assert (files("cleanside") / "py.typed").is_file()


def test_the_snippet_of_the_page_for_integrators_runs(server: ServerProcess, tmp_path: Path) -> None:
    snippet = next(code for code in re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL) if "Client(" in code)
    with Client(server.url, key=server.tokens["admin"]) as admin:
        admin.register_device(DEVICE)
    (tmp_path / "device.key").write_text(server.tokens["device"])
    snippet = snippet.replace('"http://127.0.0.1:8750"', repr(server.url))
    snippet = snippet.replace('"device.key"', repr(str(tmp_path / "device.key")))
    names: dict[str, Any] = {}
    exec(compile(snippet, "integrators.md", "exec"), names)  # the reader runs it, too
    assert (names["posted"].stored, names["posted"].quarantined) == (1, [])


@pytest.mark.parametrize("layout", ["columns", "readings"])
def test_a_corrected_reading_replaces_its_own_in_quarantine(
    connect: Callable[..., Client], device: str, layout: Any
) -> None:
    client = connect()
    wrong = client.post(device, readings(2, value=900.0), layout=layout)
    assert [note.code for note in wrong.quarantined] == ["out_of_range"]
    conflict = client.post(device, readings(2), layout=layout)
    assert [note.other_is for note in conflict.quarantined] == ["quarantined"]
    replaced = client.post(device, readings(2), layout=layout, replace_quarantined=True)
    assert (replaced.stored, replaced.quarantined) == (2, [])
    both = wire.Batch(device=device, at_us=[1, 2], replace_quarantined=True)
    assert [half.replace_quarantined for half, _ in halves(both)] == [True, True]


def test_a_value_that_is_no_finite_number_names_the_reading() -> None:
    given = readings(3)
    given[1] = Reading(at=given[1].at, values={"restriction": float("nan")}, units={"restriction": "kPa"})
    with refused(NotPostable, "not_finite", index=1, name="restriction", at="2026-03-02T06:00:10Z"):
        batch_of(DEVICE, given)
