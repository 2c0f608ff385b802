"""
Secrets and addresses of webhooks at rest: encrypted with a key that lies in no database and in no backup.

How they come along from the previous release, what happens without the key, and how the key is changed.
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.cli import main
from cleanside.ingest.keeping import backup, restore
from cleanside.ingest.settings import Settings, load
from cleanside.ingest.store import database, key_file, outbox, releases, revocations, webhook_secrets
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.models import audit, webhooks
from cleanside.ingest.store.sealing import key_of
from cleanside.ingest.writer import system_clock
from tests.contract.test_api_metrics import figure
from tests.contract.test_webhooks import ALL, LOOPBACK, assert_signed, delivering, put_events, register
from tests.support.coded import sentence
from tests.support.databases import opened
from tests.support.receiver import Receiver
from tests.support.serving import Api, in_process, make_keys

TOKEN = "path-t0ken-of-the-receiver"
QUERY = "query-t0ken-of-the-receiver"
SECRET = "b2xkIHNlY3JldCBpbiB0aGUgY2xlYXIsIDMyIGJ5dGU="


def settings_of(url: str, keys: Path | None = None) -> Settings:
    flags = {"database": url, "webhook_networks": LOOPBACK}
    return load(flags=flags | ({"webhook_key_file": str(keys)} if keys else {}), environ={})


@pytest.fixture
def keys(tmp_path: Path) -> Path:
    """A key file that is there already, as PostgreSQL needs it."""
    path = tmp_path / "keys" / "webhook.key"
    path.parent.mkdir()
    key_file.create(path)
    return path


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as running:
        yield running


def now(api: Api) -> None:
    """The library that checks signatures takes none that is older than a day by the system's clock."""
    api.clock.now_us = system_clock.now_us()


def address_of(receiver: Receiver) -> str:
    return f"{receiver.url}/{TOKEN}?key={QUERY}"


def listed(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get("/v1/webhooks").json()["webhooks"]
    return found


def codes(api: Api) -> list[str | None]:
    return [one["paused"] and one["paused"]["code"] for one in listed(api)]


def rows_of(url: str) -> list[Any]:
    with opened(url) as engine, engine.connect() as connection:
        return list(connection.execute(sa.select(webhooks).order_by(webhooks.c.id)).mappings())


# ---------------------------------------------------------------- at rest


def test_address_and_secret_lie_encrypted_and_are_sent_with(
    database_url: str, keys: Path, receiver: Receiver
) -> None:
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        made = register(api, address_of(receiver))
        with delivering(api):
            (received,) = receiver.wait_for(1)
        assert_signed(received, address_of(receiver), made)
        shown = made["url"]
        assert shown == listed(api)[0]["url"]
        assert shown.startswith(f"http://127.0.0.1:{receiver.port}/hook/...#")
        assert not any(secret in api.get("/v1/webhooks").text for secret in (TOKEN, QUERY))
        told = api.get("/v1/audit").text + api.get("/v1/webhooks/1/deliveries").text
        assert not any(secret in told for secret in (TOKEN, QUERY, made["secret"]))
    (row,) = rows_of(database_url)
    assert (row["url"], row["secret"]) == (f"http://127.0.0.1:{receiver.port}/", "")
    kept = json.dumps(dict(row))
    assert not any(secret in kept for secret in (TOKEN, QUERY, made["secret"]))


def test_the_first_webhook_on_sqlite_makes_the_key_beside_the_file(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        assert not key_path(sqlite_database_url).exists()
        register(api, "https://shop.example/hook")
        assert key_path(sqlite_database_url).stat().st_mode & 0o777 == 0o600
        assert codes(api) == [None]


def key_path(url: str) -> Path:
    path = database.sqlite_path(url)
    assert path is not None
    return path.with_name(f"{path.name}.webhook-key")


def test_on_postgres_a_webhook_needs_the_setting_and_nothing_else_does(
    database_url: str, backend: str
) -> None:
    if backend == "sqlite":
        return  # it makes the file by itself: the test above
    with in_process(database_url) as api:
        response = api.post("/v1/webhooks", {"url": "https://shop.example/", "types": ALL})
        assert (response.status_code, response.json()["code"]) == (409, "webhook_key_missing")
        assert response.json()["detail"] == sentence("webhook_key_unset")
        assert listed(api) == []
        assert api.get("/readyz", key=None).status_code == 200


def test_what_is_encrypted_for_one_row_does_not_open_in_another(database_url: str, keys: Path) -> None:
    """Else whoever can write to the database sends the events of one owner to another's receiver."""
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        register(api, "https://shop.example/mine")
        quarry = {"url": "https://quarry.example/theirs", "types": ALL}
        assert api.post("/v1/webhooks", quarry, key="quarry admin").status_code == 201

        def swap(connection: sa.Connection) -> None:
            mine, theirs = outbox.wanted(connection)
            values = {"sealed_url": theirs.sealed_url, "sealed_secret": theirs.sealed_secret}
            outbox.keep_secrets(connection, mine.id, values)

        api.resources.writer.call(swap)
        assert codes(api) == ["altered"]
        assert listed(api)[0]["url"] == "https://shop.example/"


def test_address_and_secret_of_one_row_cannot_change_places(database_url: str, keys: Path) -> None:
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        register(api, "https://shop.example/mine")

        def swap(connection: sa.Connection) -> None:
            (mine,) = outbox.wanted(connection)
            values = {"sealed_url": mine.sealed_secret, "sealed_secret": mine.sealed_url}
            outbox.keep_secrets(connection, mine.id, values)

        api.resources.writer.call(swap)
        assert codes(api) == ["altered"]


def test_a_webhook_that_has_ended_keeps_nothing_to_open(database_url: str, keys: Path) -> None:
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        register(api, f"https://shop.example/{TOKEN}?{QUERY}")
        assert api.request("DELETE", "/v1/webhooks/1").status_code == 200
    (row,) = rows_of(database_url)
    kept = [row[name] for name in ("url", "secret", "sealed_url", "sealed_secret")]
    assert kept == ["https://shop.example/", "", None, None]


# ---------------------------------------------------------------- without the key


def test_without_the_key_webhooks_pause_and_say_so_and_nothing_else_stops(
    database_url: str, keys: Path, receiver: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        register(api, address_of(receiver))
        kept = keys.read_bytes()
        keys.unlink()
        assert codes(api) == ["key_missing"]
        assert listed(api)[0]["url"] == f"http://127.0.0.1:{receiver.port}/"
        assert listed(api)[0]["paused"]["detail"] == sentence("webhook_key_missing", path=keys)
        assert figure(api, "cleanside_webhooks_paused") == 1
        with delivering(api) as courier:
            put_events(api, 2)
            api.register()  # the server goes on
            wait_for(lambda: "ingest.webhooks_paused" in caplog.text)
            (line,) = [r for r in caplog.records if r.message == "ingest.webhooks_paused"]
            assert (vars(line)["webhooks"], str(keys) in vars(line)["reason"]) == ("1", True)
            assert receiver.received == []
            keys.write_bytes(kept)
            received = receiver.wait_for(3)  # and comes back by itself, nothing lost, in order
            del courier
        assert [json.loads(entry.body)["id"] for entry in received] == ["1", "2", "3"]
        assert codes(api) == [None]
        assert figure(api, "cleanside_webhooks_paused") == 0


def wait_for(condition: Any) -> None:
    import threading
    import time

    deadline, pause = time.monotonic() + 30, threading.Event()
    while not condition():
        assert time.monotonic() < deadline
        pause.wait(0.01)


def test_a_lost_key_is_not_replaced_by_a_new_one_without_a_word(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        register(api, "https://shop.example/")
        key_path(sqlite_database_url).unlink()
        response = api.post("/v1/webhooks", {"url": "https://shop.example/", "types": ALL})
        assert (response.status_code, response.json()["code"]) == (409, "webhook_key_missing")
        assert not key_path(sqlite_database_url).exists()
        api.request("DELETE", "/v1/webhooks/1")  # nothing needs it any more: the next one has a new one
        register(api, "https://shop.example/")


def test_a_key_file_that_is_another_one_names_the_key_that_is_missing(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        register(api, "https://shop.example/")
        (old,) = KeyFile.of(api.resources.settings).read()
        key_path(sqlite_database_url).unlink()
        key_file.create(key_path(sqlite_database_url))
        assert codes(api) == ["key_missing"]
        path = key_path(sqlite_database_url)
        said = sentence("webhook_key_not_in_file", key=old.id, path=path)
        assert listed(api)[0]["paused"]["detail"] == said


def test_a_backup_holds_no_key_and_a_restored_server_pauses_until_it_is_put_back(
    sqlite_database_url: str, tmp_path: Path, receiver: Receiver
) -> None:
    with in_process(sqlite_database_url, settings=settings_of(sqlite_database_url)) as api:
        now(api)
        made = register(api, address_of(receiver))
        folder = api.resources.archive_folder
        backup.backup(sqlite_database_url, folder, to=tmp_path / "backup", now_us=api.clock(), disk=Disk())
        tokens = api.tokens
        key = key_path(sqlite_database_url).read_text().splitlines()[-1]
    kept = b"".join(path.read_bytes() for path in (tmp_path / "backup").rglob("*") if path.is_file())
    for secret in (made["secret"], TOKEN, QUERY, key):
        assert secret.encode() not in kept
    place = tmp_path / "restored"
    place.mkdir()
    url = f"sqlite:///{place / 'new.db'}"
    restore.restore(
        url,
        place / "new.db.archive",
        source=tmp_path / "backup",
        now_us=api.clock(),
        disk=Disk(),
        revoked_keys=folder / revocations.FILE,  # else the admin key would wait for a person
    )
    with in_process(url, settings=settings_of(url), tokens=tokens) as api:
        now(api)
        assert codes(api) == ["key_missing"]
        shutil.copy(key_path(sqlite_database_url), key_path(url))
        assert codes(api) == [None]
        with delivering(api):
            (received,) = receiver.wait_for(1)
        assert_signed(received, address_of(receiver), made)


# ---------------------------------------------------------------- from the previous release


def put_as_before(url: str, address: str, *, ended: bool = False) -> None:
    """What the previous release writes: a webhook in the clear, and its address in the audit log."""
    with opened(url) as engine, engine.begin() as connection:
        owner = connection.scalar(sa.text("SELECT id FROM owners WHERE name = 'plateau'"))
        row = {"o": owner, "u": address, "s": SECRET, "e": 1 if ended else None}
        row["t"] = json.dumps(sorted(ALL))
        number = connection.scalar(
            sa.text(
                "INSERT INTO webhooks (owner_id, url, secret, types, note, created_us, who, ended_us) "
                "VALUES (:o, :u, :s, :t, '', 0, 'k00000000', :e) RETURNING id"
            ),
            row,
        )
        note = {"owner_id": owner, "at_us": 0, "who": "k00000000", "what": "webhook"}
        connection.execute(sa.insert(audit), note | {"detail": f"{number} {address}"})


@pytest.fixture
def before(empty_database_url: str) -> tuple[str, dict[str, str]]:
    """A database that the previous release has served: schema 0009, owners, keys."""
    with opened(empty_database_url) as engine:
        database.migrate(engine, to="0009")
    return empty_database_url, make_keys(empty_database_url, [])


def to_newest(url: str) -> None:
    with opened(url) as engine:
        database.migrate(engine)


def details(url: str) -> list[str]:
    with opened(url) as engine, engine.connect() as connection:
        return list(connection.scalars(sa.select(audit.c.detail).where(audit.c.what == "webhook")))


def test_the_first_start_on_sqlite_encrypts_and_leaves_nothing_in_the_clear(
    tmp_path: Path, receiver: Receiver
) -> None:
    """The lock of the file says that no old process runs. Every byte of the file is looked at."""
    url = f"sqlite:///{tmp_path / 'ingest.db'}"
    with opened(url) as engine:
        database.migrate(engine, to="0009")
    tokens = make_keys(url, [])
    put_as_before(url, address_of(receiver))
    put_as_before(url, f"https://shop.example/{TOKEN}", ended=True)
    to_newest(url)
    assert any(SECRET.encode() in path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    with in_process(url, settings=settings_of(url), tokens=tokens) as api:
        now(api)
        kept = {path.name: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
        for secret in (SECRET, TOKEN, QUERY):
            assert [name for name, content in kept.items() if secret.encode() in content] == [], secret
        put_events(api, 1)
        with delivering(api):
            (received,) = receiver.wait_for(1)
        assert_signed(received, address_of(receiver), {"key_id": "webhook-1", "secret": SECRET})
    assert details(url) == [f"1 http://127.0.0.1:{receiver.port}/", "2 https://shop.example/"]
    with opened(url) as engine, engine.connect() as connection:
        assert releases.has_ended(connection, webhook_secrets.BEFORE)


def test_beside_a_process_of_the_release_before_clear_and_encrypted_stand_together(
    before: tuple[str, dict[str, str]], backend: str, keys: Path, receiver: Receiver
) -> None:
    if backend == "sqlite":
        return  # no other process runs beside one: the test above
    url, tokens = before
    put_as_before(url, address_of(receiver))
    to_newest(url)
    with in_process(url, settings=settings_of(url, keys), tokens=tokens) as api:
        now(api)
        register(api, address_of(receiver))
        put_as_before(url, address_of(receiver))  # by the old process, after the new one has started
        put_events(api, 1)
        with delivering(api):
            receiver.wait_for(4)
        for row in rows_of(url):
            assert row["url"] == address_of(receiver)  # the old process reads it
            assert row["secret"] != ""
            assert key_of(row["sealed_secret"]) == KeyFile(keys, may_make=False).read()[0].id
    assert QUERY in json.dumps(details(url))

    said = ["migrate", "--database", url, "--webhook-key-file", str(keys), "--previous-release-ended"]
    assert main(said) == 0
    for row in rows_of(url):
        assert (row["url"], row["secret"]) == (f"http://127.0.0.1:{receiver.port}/", "")
    assert QUERY not in json.dumps(details(url))
    with in_process(url, settings=settings_of(url, keys), tokens=tokens) as api:
        now(api)
        register(api, address_of(receiver))
        put_events(api, 1)
        before_count = len(receiver.received)
        with delivering(api):
            receiver.wait_for(before_count + 5)
    assert rows_of(url)[-1]["secret"] == ""


def test_without_a_key_what_lies_in_the_clear_is_still_sent_and_said(
    before: tuple[str, dict[str, str]], backend: str, receiver: Receiver, caplog: pytest.LogCaptureFixture
) -> None:
    """An update must stop nothing: a webhook of the previous release needs no key until it is encrypted."""
    if backend == "sqlite":
        return  # it makes its key by itself
    url, tokens = before
    put_as_before(url, address_of(receiver))
    to_newest(url)
    with in_process(url, settings=settings_of(url), tokens=tokens) as api:
        now(api)
        assert codes(api) == [None]
        put_events(api, 1)
        with delivering(api):
            receiver.wait_for(1)
    lines = [r for r in caplog.records if r.message == "ingest.webhooks_in_clear"]
    assert {vars(line)["webhooks"] for line in lines} == {1}
    assert "webhooks create-key" in vars(lines[0])["reason"]


KILLED = """
import os, signal, sys
from cleanside.ingest.api.app import create_app
from cleanside.ingest.writer.resources import open_resources
from cleanside.ingest.settings import load
from cleanside.ingest.store import outbox

left = int(sys.argv[2])
keep = outbox.keep_secrets

def killed(*given):
    global left
    if left == 0:
        os.kill(os.getpid(), signal.SIGKILL)
    left -= 1
    keep(*given)

outbox.keep_secrets = killed
with open_resources(load(flags={"database": sys.argv[1]}, environ={}), lambda: 1_772_442_000_000_000):
    pass
"""


def test_killed_at_any_step_the_next_start_does_the_rest(tmp_path: Path) -> None:
    folder = tmp_path / "before"
    folder.mkdir()
    url = f"sqlite:///{folder / 'ingest.db'}"
    with opened(url) as engine:
        database.migrate(engine, to="0009")
    make_keys(url, [])
    for number in range(3):
        put_as_before(url, f"https://shop.example/{TOKEN}?{number}")
    to_newest(url)
    for left in range(4):
        copy = tmp_path / str(left)
        shutil.copytree(folder, copy)
        url = f"sqlite:///{copy / 'ingest.db'}"
        code = subprocess.run([sys.executable, "-c", KILLED, url, str(left)], check=False).returncode
        assert code == (-signal.SIGKILL if left < 3 else 0)
        assert [row["secret"] for row in rows_of(url)] == ([SECRET] * 3 if left < 3 else [""] * 3)
        with in_process(url) as api, api.resources.reading() as connection:
            ready, paused = webhook_secrets.opened_and_paused(
                outbox.wanted(connection), api.resources.webhook_keys
            )
        assert [(one.url[-1], one.secret) for one in ready] == [(str(n), SECRET) for n in range(3)]
        assert paused == {}
        assert [row["secret"] for row in rows_of(url)] == [""] * 3


# ---------------------------------------------------------------- another key


def test_a_key_is_changed_while_serving_and_the_old_one_opens_until_all_is_done(
    database_url: str, backend: str, keys: Path, receiver: Receiver, capsys: pytest.CaptureFixture[str]
) -> None:
    flags = ["--database", database_url, "--webhook-key-file", str(keys)]
    with in_process(database_url, settings=settings_of(database_url, keys)) as api:
        now(api)
        made = register(api, address_of(receiver))
        (old,) = KeyFile(keys, may_make=False).read()
        assert main(["webhooks", "rotate-key", *flags]) == 0
        new, still = KeyFile(keys, may_make=False).read()
        assert still == old
        assert codes(api) == [None]
        with delivering(api):
            (received,) = receiver.wait_for(1)
            wait_for(lambda: key_in_use(api) == new.id)
        assert_signed(received, address_of(receiver), made)
        assert main(["webhooks", "prune-keys", *flags]) == 0
        assert KeyFile(keys, may_make=False).read() == (new,)
        assert codes(api) == [None]
    if backend == "sqlite":
        assert main(["webhooks", "rotate-key", *flags]) == 0  # nothing serves: the command does it itself
        (row,) = rows_of(database_url)
        assert key_of(row["sealed_secret"]) == KeyFile(keys, may_make=False).read()[0].id
    said = capsys.readouterr()
    assert made["secret"] not in said.out + said.err


def key_in_use(api: Api) -> str:
    with api.resources.reading() as connection:
        (webhook,) = outbox.wanted(connection)
    return key_of(webhook.sealed_secret or "")


def test_a_key_that_is_needed_is_not_pruned(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        register(api, "https://shop.example/")
        path = key_path(sqlite_database_url)
        (old,) = KeyFile(path, may_make=False).read()
        assert main(["webhooks", "rotate-key", "--database", sqlite_database_url]) == 0
        assert main(["webhooks", "prune-keys", "--database", sqlite_database_url]) == 0
        assert old in KeyFile(path, may_make=False).read()
        assert codes(api) == [None]


def test_the_key_file_is_made_by_its_command_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "keys"
    create = ["webhooks", "create-key", "--database", "postgresql://h/x"]
    assert main(create) == 2
    assert main([*create, "--webhook-key-file", str(path)]) == 0
    secret = path.read_text().splitlines()[-1]
    assert main([*create, "--webhook-key-file", str(path)]) == 2
    said = capsys.readouterr()
    assert secret not in said.out + said.err
    assert path.stat().st_mode & 0o777 == 0o600
