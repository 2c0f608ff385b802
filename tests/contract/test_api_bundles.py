"""A backlog carried as a file, brought to the real app: what is taken, what is not, and what is recorded."""

from __future__ import annotations

import io
import json
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanside.gateway.bundle import BundleBroken, BundleWriter, handle_of, mac_secret
from cleanside.gateway.wire import Batch, GatewayReport, encode, parse_instant
from cleanside.ingest.api.routes.bundles import BUNDLE_MEDIA_TYPE, ArrivingBundle
from cleanside.ingest.intake.bundles import Bringer, take_in
from cleanside.ingest.settings import load
from cleanside.ingest.store import audit, fleet, models
from tests.support.coded import sentence
from tests.support.databases import migrated_sqlite, opened
from tests.support.serving import DEVICE, STREAM, Api, in_process

BEGIN_US = parse_instant("2026-03-02T06:00:00Z").us
BLOCKS = 4
READINGS = 25  # a block
CUT = ("missing", "cut_short")  # what `BundleBroken` calls a block that is not whole


def block(first: int, count: int = READINGS, *, appended: int | None = None, **more: Any) -> bytes:
    """A batch of consecutive readings as a gateway's export writes it."""
    report = None if appended is None else GatewayReport(installation="i1", appended_through=appended)
    values: dict[str, Any] = {"device": DEVICE, "stream": STREAM} | more
    batch = Batch(
        seq=range(first, first + count),
        at_us=[BEGIN_US + n * 10_000_000 for n in range(first, first + count)],
        at_uncertainty_s=0.5,
        units={"restriction": "kPa"},
        columns={"restriction": [2 + n / 100 for n in range(first, first + count)]},
        gateway=report,
        **values,
    )
    return encode(batch)


def bundle(
    path: Path, key: str, *bodies: bytes, device: str = DEVICE, finished: bool = True
) -> tuple[bytes, list[int]]:
    """A bundle made with a key: its bytes, and where each block ends."""
    writer = BundleWriter(path, device=device, secret=mac_secret(key), key=handle_of(key))
    ends = []
    for body in bodies:
        writer.write(body)
        ends.append(path.stat().st_size)
    if finished:
        writer.finish()
    writer.close()
    return path.read_bytes(), ends


def bring(api: Api, content: bytes, *, key: str = "operator", **headers: str) -> httpx.Response:
    given = {"Content-Type": BUNDLE_MEDIA_TYPE} | {
        name.replace("_", "-"): text for name, text in headers.items()
    }
    return api.request("POST", "/v1/bundles", key=key, content=content, headers=given)


def taken(response: httpx.Response) -> dict[str, Any]:
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def audit_of(api: Api) -> list[tuple[str, str, dict[str, Any]]]:
    """Who did what with bundles, in order."""
    query = sa.select(models.audit.c.who, models.audit.c.what, models.audit.c.about)
    with opened(api.url) as engine, engine.connect() as connection:
        rows = connection.execute(query.order_by(models.audit.c.id)).all()
    return [(r.who, r.what, json.loads(r.about)) for r in rows if r.what.startswith("bundle")]


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """Blocks go through the same door as batches, which is tested on both databases."""
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


@pytest.fixture
def sent(api: Api, tmp_path: Path) -> tuple[bytes, list[int]]:
    """A bundle of four blocks, made with the device's key."""
    bodies = [block(1 + n * READINGS, appended=BLOCKS * READINGS) for n in range(BLOCKS)]
    return bundle(tmp_path / "b", api.tokens["device"], *bodies)


def test_a_bundle_is_taken_and_brought_again_it_is_known(api: Api, sent: tuple[bytes, list[int]]) -> None:
    first, again = taken(bring(api, sent[0])), taken(bring(api, sent[0]))
    mark = [{"stream": STREAM, "acknowledged_through": BLOCKS * READINGS}]
    assert (first["whole"], first["blocks"], first["stored"], first["duplicates"]) == (True, 4, 100, 0)
    assert (again["whole"], again["blocks"], again["stored"], again["duplicates"]) == (True, 4, 0, 100)
    assert first["streams"] == again["streams"] == mark
    assert first["not_taken"] == []
    account = api.account()["streams"][0]
    assert (account["balances"], account["stored"], account["conflicts"]) == (True, 100, 0)


def test_on_either_database_a_bundle_is_taken_once(database_url: str, tmp_path: Path) -> None:
    with in_process(database_url) as api:
        api.register()
        content, ends = bundle(tmp_path / "b", api.tokens["device"], block(1), block(1 + READINGS))
        assert taken(bring(api, content[: ends[0] + 9]))["stored"] == READINGS
        document = taken(bring(api, content))
        assert (document["stored"], document["duplicates"]) == (READINGS, READINGS)
        assert [what for _, what, _ in audit_of(api)] == ["bundle_begun", "bundle"] * 2


def test_who_brought_what_is_recorded_before_and_after(api: Api, sent: tuple[bytes, list[int]]) -> None:
    bring(api, sent[0])
    operator, device = (api.tokens[role].partition(".")[0] for role in ("operator", "device"))
    begun, done = audit_of(api)
    assert begun == (operator, "bundle_begun", {"device": DEVICE, "key": device})
    assert (done[0], done[1], done[2]["stored"], done[2]["whole"]) == (operator, "bundle", 100, True)


def test_cut_short_at_any_block_the_good_beginning_is_taken_and_the_rest_named(
    api: Api, sent: tuple[bytes, list[int]]
) -> None:
    content, ends = sent
    for good, end in enumerate(ends, 1):
        for more in (0, 1, 4, 40):  # at the boundary, in the length, behind it, in the content
            if good == BLOCKS and more == 40:  # that is the whole file
                continue
            document = taken(bring(api, content[: end + more]))
            assert (document["whole"], document["blocks"]) == (False, good)
            (rest,) = document["not_taken"]
            assert (rest["block"], rest["code"]) == (good + 1, "bundle_cut_short")
            assert rest["detail"] in (str(BundleBroken(code, block=good + 1)) for code in CUT)
    assert taken(bring(api, content))["whole"]
    assert api.account()["streams"][0]["stored"] == BLOCKS * READINGS


def test_not_even_the_first_block_is_no_bundle(api: Api, sent: tuple[bytes, list[int]]) -> None:
    line = sent[0].index(b"\n") + 1
    for content in (b"", b"a letter", sent[0][:10], sent[0][:line], sent[0][: line + 3]):
        response = bring(api, content)
        assert (response.status_code, response.json()["code"]) == (400, "bundle_unreadable")
    assert api.account()["streams"] == []


@pytest.fixture(scope="module")
def altered_api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    """One app for all the alterations: what is stored of one is known to the next."""
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("altered"))) as running:
        running.register()
        yield running


@pytest.fixture(scope="module")
def altered_bundle(altered_api: Api, tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, list[int]]:
    bodies = [block(1 + n * READINGS) for n in range(BLOCKS)]
    return bundle(tmp_path_factory.mktemp("made") / "b", altered_api.tokens["device"], *bodies)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_altered_in_any_byte_nothing_from_that_block_on_is_taken(
    altered_api: Api, altered_bundle: tuple[bytes, list[int]], data: st.DataObject
) -> None:
    content, ends = altered_bundle
    place = data.draw(st.integers(0, len(content) - 1), label="place")
    value = data.draw(st.integers(0, 255).filter(lambda v: v != content[place]), label="value")
    good = sum(end <= place for end in ends)
    response = bring(altered_api, content[:place] + bytes([value]) + content[place + 1 :])
    if response.status_code == 200:
        document = response.json()
        assert document["blocks"] == good >= 1
        assert document["not_taken"][0]["block"] == good + 1
        assert document["not_taken"][0]["code"] in ("bundle_altered", "bundle_cut_short")
    else:
        assert good == 0
        assert response.json()["code"] in ("bundle_unreadable", "bundle_not_authentic")
    streams = altered_api.account()["streams"]
    assert all((s["stored"] % READINGS, s["conflicts"], s["quarantined"]) == (0, 0, 0) for s in streams)


def test_blocks_that_are_left_out_or_change_places_are_found(api: Api, sent: tuple[bytes, list[int]]) -> None:
    content, ends = sent
    without = content[: ends[0]] + content[ends[1] :]
    swapped = (
        content[: ends[0]] + content[ends[1] : ends[2]] + content[ends[0] : ends[1]] + content[ends[2] :]
    )
    for changed in (without, swapped):
        document = taken(bring(api, changed))
        assert (document["blocks"], document["not_taken"][0]["code"]) == (1, "bundle_altered")
    assert api.account()["streams"][0]["stored"] == READINGS


def a_key(api: Api, *, role: str = "device", devices: list[str] | None = None, owner: str = "admin") -> str:
    body: dict[str, Any] = {"role": role} | ({"devices": [DEVICE] if devices is None else devices})
    made: str = api.post("/v1/keys", body, key=owner).json()["key"]
    return made


def test_any_valid_key_of_the_device_will_do(api: Api, tmp_path: Path) -> None:
    keys = [api.tokens["device"], a_key(api), a_key(api, role="integrator"), a_key(api)]
    for number, key in enumerate(keys):
        content, _ = bundle(tmp_path / str(number), key, block(1 + number * READINGS))
        assert taken(bring(api, content))["stored"] == READINGS


def test_a_revoked_key_makes_no_bundle(api: Api, tmp_path: Path) -> None:
    key = a_key(api)
    handle = key.partition(".")[0]
    content, _ = bundle(tmp_path / "b", key, block(1))
    assert api.request("DELETE", f"/v1/keys/{handle}").status_code == 200
    response = bring(api, content)
    assert (response.status_code, response.json()["code"]) == (422, "bundle_not_authentic")
    assert f"key {handle} of device {DEVICE}, which was revoked at 2026-03-02T09:00:00Z" in response.text
    assert "give the device a new key and export again" in response.text
    assert api.account()["streams"] == []
    assert [what for _, what, _ in audit_of(api)] == ["bundle_refused"]


def test_a_bundle_is_taken_after_its_key_was_replaced(api: Api, sent: tuple[bytes, list[int]]) -> None:
    """A bundle is carried for days; the key that made it may have ended meanwhile."""
    content, _ = sent
    handle = api.tokens["device"].partition(".")[0]
    replaced = api.post(f"/v1/keys/{handle}/rotations", {"overlap_hours": 0})
    assert replaced.status_code == 201
    assert api.get("/v1/streams", key="device").json()["code"] == "key_expired"
    assert taken(bring(api, content))["stored"] == BLOCKS * READINGS


def test_a_key_of_another_device_or_owner_makes_none_either(api: Api, tmp_path: Path) -> None:
    answers = []
    for number, key in enumerate(
        (
            a_key(api, devices=["loader-02-intake"]),
            api.tokens["quarry device"],  # bound to a device of the same name, at another owner
            api.tokens["operator"],
            "k00000000." + "0" * 64,
        )
    ):
        content, _ = bundle(tmp_path / str(number), key, block(1))
        response = bring(api, content)
        assert (response.status_code, response.json()["code"]) == (422, "bundle_not_authentic")
        detail = response.json()["detail"]
        assert handle_of(key) in detail  # as the file itself says
        answers.append(detail.replace(handle_of(key), "KEY"))
    assert len(set(answers)) == 1  # which of them it was is not told
    other = bundle(tmp_path / "other", api.tokens["quarry device"], block(1))[0]
    theirs = taken(bring(api, other, key="quarry admin"))  # its own owner may bring it
    assert theirs["blocks"] == 1
    assert api.account()["streams"] == []


@pytest.mark.parametrize("role", ["device", "integrator", "planner"])
def test_only_an_operator_or_an_admin_may_bring_one(
    api: Api, sent: tuple[bytes, list[int]], role: str
) -> None:
    response = bring(api, sent[0], key=role)
    assert (response.status_code, response.json()["code"]) == (403, "role_not_allowed")
    assert api.account()["streams"] == []


def test_a_block_that_is_no_batch_or_of_another_device_is_named_and_the_others_are_taken(
    api: Api, tmp_path: Path
) -> None:
    foreign = block(900, device="loader-02-intake", stream="019abc00-7e1a-7c3e-8f00-5d2b8a9c0eee")
    content, _ = bundle(
        tmp_path / "b", api.tokens["device"], block(1), b'{"device": 3}', foreign, block(1 + READINGS)
    )
    document = taken(bring(api, content))
    assert (document["whole"], document["blocks"], document["stored"]) == (False, 2, 2 * READINGS)
    assert [(e["block"], e["code"]) for e in document["not_taken"]] == [
        (2, "not_a_batch"),
        (3, "key_not_for_device"),
    ]
    assert all(entry["next_step"] for entry in document["not_taken"])


def test_a_bundle_that_the_link_has_overtaken_is_no_fork(api: Api, tmp_path: Path) -> None:
    """It says how many readings there were on its day; the server knows of more by now."""
    content, _ = bundle(tmp_path / "b", api.tokens["device"], block(1, appended=READINGS))
    link = json.loads(block(1, 2 * READINGS, appended=2 * READINGS))
    assert api.send(link)["stored"] == 2 * READINGS
    document = taken(bring(api, content))
    assert (document["whole"], document["stored"], document["duplicates"]) == (True, 0, READINGS)


def test_a_bundle_of_a_copied_disk_is_a_fork_still(api: Api, tmp_path: Path) -> None:
    api.send(json.loads(block(1, appended=READINGS)))
    copied = json.loads(block(READINGS + 1, appended=2 * READINGS))
    copied["gateway"]["installation"] = "i2"
    content, _ = bundle(tmp_path / "b", api.tokens["device"], json.dumps(copied).encode())
    document = taken(bring(api, content))
    assert (document["blocks"], document["not_taken"][0]["code"]) == (0, "stream_forked")


def test_readings_that_are_not_believed_are_quarantined_as_from_the_link(api: Api, tmp_path: Path) -> None:
    odd = json.loads(block(1, 3))
    odd["columns"]["restriction"][1] = 900.0
    content, _ = bundle(tmp_path / "b", api.tokens["device"], json.dumps(odd).encode())
    document = taken(bring(api, content))
    assert (document["stored"], document["quarantined"], document["whole"]) == (2, 1, True)


def test_only_a_bundles_media_type_is_taken_and_no_content_coding(
    api: Api, sent: tuple[bytes, list[int]]
) -> None:
    assert bring(api, sent[0], Content_Type="application/json").json()["code"] == "type_not_supported"
    assert bring(api, sent[0], Content_Encoding="gzip").json()["code"] == "coding_not_supported"


def test_its_limit_is_its_own_and_larger_than_that_of_a_batch(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    limit = 3 * 2**20
    chosen = load(flags={"database": sqlite_database_url, "max_bundle_bytes": limit}, environ={})
    with in_process(sqlite_database_url, settings=chosen) as api:
        api.register()
        # A finished bundle, and behind its end whatever: 2 MiB pass, 4 MiB do not.
        content, _ = bundle(tmp_path / "b", api.tokens["device"], block(1))
        assert taken(bring(api, content + bytes(2 * 2**20)))["whole"]
        response = bring(api, content + bytes(4 * 2**20))
        assert (response.status_code, response.json()["code"]) == (413, "body_too_large")
        assert str(limit) in response.json()["detail"]
        batch_limit = api.post("/v1/readings", {"x": "y" * 2 * 2**20}, key="device")
        assert batch_limit.status_code == 413


def test_one_bundle_comes_in_at_a_time(api: Api, sent: tuple[bytes, list[int]]) -> None:
    with api.resources.importing:
        response = bring(api, sent[0])
    assert (response.status_code, response.headers["retry-after"]) == (503, "30")
    assert taken(bring(api, sent[0]))["stored"] == BLOCKS * READINGS


# ---------------------------------------------------------------- as it arrives


@dataclass
class Source:
    """Chunks of a file, and how far they were asked for."""

    content: bytes
    size: int
    given: int = 0

    def __call__(self) -> bytes:
        chunk = self.content[self.given : self.given + self.size]
        self.given += len(chunk)
        return chunk


@pytest.mark.parametrize("size", [1, 7, 4096, 10**6])
def test_what_arrives_in_pieces_is_read_as_one_file(size: int) -> None:
    content = b"a line\n" + bytes(range(256)) * 50
    file = io.BufferedReader(ArrivingBundle(Source(content, size)))
    assert file.readline(100) == b"a line\n"
    assert file.read(300) == (bytes(range(256)) * 2)[:300]
    assert file.read(10**6) == content[307:]
    assert file.read(1) == b""


def test_a_large_bundle_is_taken_as_it_arrives_and_never_held_whole(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        content, ends = bundle(tmp_path / "b", api.tokens["device"], *hardly_compressible())
        source = Source(content, 16 * 1024)
        ahead: list[int] = []

        def run(work: Any) -> Any:
            # Each step is done before more than the block at hand, and a chunk, was asked for.
            ahead.append(source.given - max([0, *(e for e in ends if e <= source.given)]))
            return api.resources.writer.call(work)

        with api.resources.reading() as connection:
            owner_id = fleet.owner_id(connection, "plateau")
        assert owner_id is not None
        bringer = Bringer(owner_id=owner_id, who="command", run=run, clock=api.clock, sqlite=True)
        assert take_in(io.BufferedReader(ArrivingBundle(source)), bringer).is_whole
        assert max(ahead) <= 2 * 16 * 1024
        assert len(content) > 10 * max(ahead)


def hardly_compressible() -> Iterator[bytes]:
    """Blocks of readings with every digit there is."""
    chance = random.Random(3)
    for n in range(30):
        document = json.loads(block(1 + n * 1000, 1000))
        document["columns"]["restriction"] = [round(chance.uniform(1, 6), 12) for _ in range(1000)]
        yield json.dumps(document).encode()


def test_a_bundle_says_with_which_key_it_was_made(api: Api, tmp_path: Path) -> None:
    """Made before the device got its present key, which the server alone knows; or altered."""
    old = "k0ld0ld0." + "0" * 64
    content, _ = bundle(tmp_path / "old", old, block(1))
    about = {"device": DEVICE, "key": "k0ld0ld0"}
    because = audit.bundle_sentence("key_unknown", about)
    assert bring(api, content).json()["detail"] == sentence("bundle_not_authentic", because=because)
    present = handle_of(api.tokens["device"])
    content, _ = bundle(tmp_path / "new", api.tokens["device"], block(1))
    altered = content[:-9] + bytes([content[-9] ^ 1]) + content[-8:]
    broken = bytearray(content)
    broken[content.index(b"\n") + 10] ^= 1  # inside the first block
    because = audit.bundle_sentence("altered", {"device": DEVICE, "key": present})
    assert bring(api, bytes(broken)).json()["detail"] == sentence("bundle_not_authentic", because=because)
    assert bring(api, altered).status_code == 200  # behind the first block the good beginning is taken


def test_a_bundle_of_an_older_program_does_not_say_its_key(api: Api, tmp_path: Path) -> None:
    writer = BundleWriter(tmp_path / "b", device=DEVICE, secret=mac_secret(api.tokens["device"]))
    writer.write(block(1))
    writer.finish()
    writer.close()
    assert taken(bring(api, (tmp_path / "b").read_bytes()))["stored"] == READINGS
