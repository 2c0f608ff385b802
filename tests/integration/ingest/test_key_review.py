"""Keys and codes after a restore and at a start: nothing that was revoked or used up comes back."""

from __future__ import annotations

import dataclasses
import json
import re
import shlex
import shutil
import stat
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.cli import main
from cleanside.ingest.commands.restore import review_lines as restore_lines
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import backup, pg_tools, restore
from cleanside.ingest.keeping.restore import Restored
from cleanside.ingest.owners import key_review
from cleanside.ingest.settings import load
from cleanside.ingest.store import database, keys, models, revocations
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.revocations import Revoked
from tests.integration.ingest.keeping.test_backup import PG_TOOLS, fill
from tests.support.databases import Postgres, opened
from tests.support.people import PASSWORD, Browser, invited, quick_passwords, signed_in
from tests.support.serving import DEVICE, NOW, Api, batch, bearer, in_process

ROOT = Path(__file__).parents[3]
NOW_US = parse_instant(NOW).us
MINUTE_US = 60_000_000
NEW = "loader-02-intake"


class Loss:
    """A server that is going to be lost, its backup, and the place where that is restored."""

    def __init__(self, api: Api, folder: Path, empty: Callable[[], str]) -> None:
        self.api = api
        self._folder = folder
        self._empty = empty
        #: the file of revoked keys, which outlives the server
        self.file: Path = api.resources.archive_folder / "revoked-keys"
        #: of the restored database
        self.url = ""

    def backup(self) -> None:
        """Make one, a minute before whatever comes next."""
        self.api.clock.advance(60)
        backup.backup(
            self.api.url,
            self.api.resources.archive_folder,
            to=self._folder / "backup",
            now_us=self.api.clock(),
            disk=Disk(),
            tools=PG_TOOLS,
        )
        self.api.clock.advance(60)

    def restore(self, *, with_file: bool = True) -> Restored:
        """Restore the backup to an empty place."""
        self.url = self._empty()
        return restore.restore(
            self.url,
            self._folder / "new",
            source=self._folder / "backup",
            now_us=self.api.clock(),
            disk=Disk(),
            tools=PG_TOOLS,
            revoked_keys=self.file if with_file else None,
        )

    def serve(self) -> AbstractContextManager[Api]:
        """The restored server, with the keys of the lost one."""
        flags = {"database": self.url, "archive_folder": str(self._folder / "new")}
        return in_process(self.url, settings=load(flags=flags, environ={}), tokens=self.api.tokens)

    def command(self, *words: str) -> int:
        """A command at the restored server."""
        return main([*words, "--database", self.url, "--archive-folder", str(self._folder / "new")])


@pytest.fixture
def loss(backend: str, database_url: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Loss]:
    """On both databases, with an archive, readings, keys, and a machine that waits for its device."""
    settings = load(flags={"database": database_url, "archive_folder": str(tmp_path / "older")}, environ={})

    def empty() -> str:
        if backend == "sqlite":
            (tmp_path / "new.db").unlink(missing_ok=True)
            return f"sqlite:///{tmp_path / 'new.db'}"
        server: Postgres = request.getfixturevalue("postgres")
        return server.empty()

    with in_process(database_url, settings=settings) as api:
        fill(api)
        assert api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"}).status_code == 200
        yield Loss(api, tmp_path, empty)


def a_key(api: Api, *, role: str = "device", key: str = "admin") -> str:
    body: dict[str, Any] = {"role": role} | ({"devices": [DEVICE]} if role == "device" else {})
    token: str = api.post("/v1/keys", body, key=key).json()["key"]
    return token


def handle_of(token: str) -> str:
    return token.partition(".")[0]


def posted(api: Api, token: str) -> tuple[int, str | None]:
    """Status and code of a reading that is sent with a key."""
    answer = api.post("/v1/readings", batch(1, [3.0]), key=None, headers=bearer(token))
    return answer.status_code, answer.json().get("code")


def asked(api: Api, token: str) -> tuple[int, str | None]:
    """Status and code of an admin's question."""
    answer = api.get("/v1/keys", key=None, headers=bearer(token))
    return answer.status_code, answer.json().get("code")


def audit_of(url: str, what: str) -> set[tuple[str, str]]:
    with opened(url) as engine, engine.connect() as connection:
        rows = sa.select(models.audit.c.who, models.audit.c.detail).where(models.audit.c.what == what)
        return {(who, detail) for who, detail in connection.execute(rows)}


# ---------------------------------------------------------------- revoked after the backup


def by_request(api: Api, token: str) -> None:
    assert api.request("DELETE", f"/v1/keys/{handle_of(token)}").status_code == 200


def by_transfer(api: Api, _token: str) -> None:
    code = api.post("/v1/transfers", {"machine": "grader-07"}).json()["code"]
    taken = api.post("/v1/transfers/accept", {"code": code}, key="quarry admin")
    assert taken.status_code == 200, taken.text


@pytest.mark.parametrize("revoke", [by_request, by_transfer])
def test_a_key_revoked_after_the_backup_stays_revoked(loss: Loss, revoke: Callable[[Api, str], None]) -> None:
    token = a_key(loss.api)
    loss.backup()
    revoke(loss.api, token)
    assert posted(loss.api, token) == (401, "key_unknown")
    review = loss.restore().review
    assert review.doubt is None
    assert handle_of(token) in [key.handle for key in review.ended]
    with loss.serve() as restored:
        assert posted(restored, token) == (401, "key_unknown")
        assert asked(restored, restored.tokens["admin"]) == (200, None)
    assert ("restore", handle_of(token)) in audit_of(loss.url, "key_revoked")


def test_a_key_whose_reply_was_lost_and_that_was_replaced_stays_revoked(loss: Loss) -> None:
    """The gateway showed its code again: the key that it never saw ended."""
    code = loss.api.post("/v1/enrolments", {"device": NEW, "machine": "loader-02"}).json()["code"]
    shown = {"code": code, "attempt": "of-this-gateway"}
    first = loss.api.post("/v1/enrol", shown, key=None).json()["key"]
    loss.backup()
    loss.api.post("/v1/enrol", shown, key=None).json()["key"]
    assert posted(loss.api, first) == (401, "key_unknown")
    assert loss.restore().review.doubt is None
    with loss.serve() as restored:
        assert posted(restored, first) == (401, "key_unknown")


def test_a_command_writes_the_file_too(sqlite_database_url: str, tmp_path: Path) -> None:
    where = ["--database", sqlite_database_url]
    file = tmp_path / "device.key"
    assert main(["keys", "create", "--role", "device", "--device", DEVICE, "--out", str(file), *where]) == 0
    handle = handle_of(file.read_text())
    path = tmp_path / "ingest.db.archive" / "revoked-keys"
    assert read(path).handles == {}
    assert main(["keys", "revoke", handle, *where]) == 0
    assert list(read(path).handles) == [handle]


def read(path: Path) -> Revoked:
    found = revocations.read(path)
    assert found is not None
    return found


def test_the_file_has_handles_and_no_secret_and_only_its_user_reads_it(loss: Loss) -> None:
    token = a_key(loss.api)
    by_request(loss.api, token)
    text = loss.file.read_text()
    handle, _, secret = token.partition(".")
    assert handle in text
    assert secret not in text
    assert not re.search(r"[0-9a-f]{32}", text)
    assert stat.S_IMODE(loss.file.stat().st_mode) == 0o600
    assert stat.S_IMODE(loss.file.parent.stat().st_mode) == 0o700


def test_the_file_is_written_before_the_transaction_commits(sqlite_database_url: str, tmp_path: Path) -> None:
    """Whatever comes between the two, the key is refused from the next start on: that was asked for."""
    with in_process(sqlite_database_url) as api:
        token = a_key(api)
    with opened(sqlite_database_url) as engine:

        def revoke() -> None:
            with engine.begin() as connection:
                key = keys.by_handle(connection, handle_of(token))
                assert key is not None
                keys.revoke_id(connection, key.id, NOW_US)
                connection.exec_driver_sql("PRAGMA defer_foreign_keys=ON")  # so that COMMIT itself fails
                connection.execute(sa.insert(models.key_devices).values(key_id=999, device=DEVICE))

        with pytest.raises(sa.exc.IntegrityError):
            revoke()
    assert list(read(tmp_path / "ingest.db.archive" / "revoked-keys").handles) == [handle_of(token)]
    with in_process(sqlite_database_url, tokens={}) as api:
        assert posted(api, token) == (401, "key_unknown")
    assert audit_of(sqlite_database_url, "key_revoked") == {("start", handle_of(token))}


def test_where_the_file_cannot_be_written_nothing_is_revoked(loss: Loss) -> None:
    token = a_key(loss.api)
    loss.file.unlink()
    loss.file.mkdir()
    answer = loss.api.request("DELETE", f"/v1/keys/{handle_of(token)}")
    assert (answer.status_code, answer.json()["code"]) == (503, "store_unavailable")
    assert posted(loss.api, token) == (200, None)
    loss.file.rmdir()
    by_request(loss.api, token)
    assert list(read(loss.file).handles) == [handle_of(token)]
    assert read(loss.file).complete_since_us == NOW_US  # it was begun now: what was in it is gone


def test_a_transaction_that_was_taken_back_leaves_nothing_in_the_file(loss: Loss) -> None:
    token = a_key(loss.api)

    def save(connection: sa.Connection) -> None:
        keys.revoke(connection, 1, handle_of(token), NOW_US)
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        loss.api.resources.writer.call(save)
    by_request(loss.api, other := a_key(loss.api))
    assert list(read(loss.file).handles) == [handle_of(other)]


def test_one_place_writes_that_a_key_is_revoked_and_one_that_a_person_is() -> None:
    """So that no way to revoke them passes the file by."""
    written = re.compile(r"revoked_us\s*=(?!=)|[\"']revoked_us[\"']\s*:")
    found = [
        path.relative_to(ROOT).as_posix()
        for path in sorted((ROOT / "ingest").rglob("*.py"))
        for _ in written.findall(path.read_text())
    ]
    assert found == ["ingest/store/keys.py", "ingest/store/people.py"]


# ---------------------------------------------------------------- the file is missing, or may lack one


def test_without_the_file_all_keys_but_those_of_devices_wait_for_a_person(
    loss: Loss, capsys: pytest.CaptureFixture[str]
) -> None:
    admin, device = loss.api.tokens["admin"], a_key(loss.api)
    revoked = a_key(loss.api)
    by_request(loss.api, revoked)
    ends = instant_text(loss.api.clock() + 10_000_000)
    ended = loss.api.post("/v1/keys", {"role": "planner", "expires_at": ends}).json()["key"]
    loss.api.clock.advance(60)
    loss.backup()
    review = loss.restore(with_file=False).review
    assert review.doubt is not None
    assert handle_of(ended) not in " ".join(restore_lines(review, "sqlite:///new.db"))
    valid = {key.handle: key for key in review.valid}
    assert handle_of(revoked) not in valid
    assert {handle_of(token) for token in loss.api.tokens.values()} | {handle_of(device)} == set(valid)
    assert valid[handle_of(device)].devices == {DEVICE}
    quarry = handle_of(loss.api.tokens["quarry admin"])
    people = {handle_of(token) for role, token in loss.api.tokens.items() if "device" not in role}
    assert {key.handle for key in review.suspended} == people
    lines = restore_lines(review, "sqlite:////srv/shop one.db")
    confirming = [line.split() for line in lines if "keys confirm" in line]
    assert {line[3] for line in confirming} == people, "a key a line: what is pasted revives no other"
    for line in confirming:
        assert shlex.split(" ".join(line), comments=True)[4:] == ["--database", "sqlite:////srv/shop one.db"]
    assert people >= {handle_of(admin), quarry}
    with loss.serve() as restored:
        assert posted(restored, device) == (200, None)
        assert posted(restored, revoked) == (401, "key_unknown")
        assert asked(restored, admin) == (403, "key_suspended")
        wrong = bearer(f"{handle_of(admin)}.{'0' * 64}")
        assert restored.get("/v1/keys", key=None, headers=wrong).status_code == 401
        for role in ("planner", "operator", "integrator"):
            answer = restored.get("/v1/machines", key=role)
            assert (answer.status_code, answer.json()["code"]) == (403, "key_suspended")
    assert loss.command("keys", "confirm", handle_of(admin), "k0") == 2  # all of them or none
    with loss.serve() as restored:
        assert asked(restored, admin) == (403, "key_suspended")
    assert loss.command("keys", "confirm", handle_of(admin)) == 0
    assert loss.command("keys", "confirm", handle_of(admin)) == 2
    capsys.readouterr()
    assert loss.command("keys", "list", "--owner", "quarry") == 0
    assert "suspended" in capsys.readouterr().out
    with loss.serve() as restored:
        assert asked(restored, admin) == (200, None)
        assert asked(restored, restored.tokens["quarry admin"]) == (403, "key_suspended")
        shown = {k["handle"]: k["suspended_at"] for k in restored.get("/v1/keys").json()["keys"]}
        waiting = {handle for handle, at in shown.items() if at is not None}
        assert waiting == people - {handle_of(admin), quarry}
    assert audit_of(loss.url, "key_suspended") == {("restore", handle) for handle in people}
    assert audit_of(loss.url, "key_confirmed") == {("command", handle_of(admin))}
    assert {who for who, _ in audit_of(loss.url, "restored")} == {"restore"}


def test_a_second_restore_without_the_file_is_not_believed_because_of_the_first(loss: Loss) -> None:
    """The file that the first began says since when it is complete."""
    loss.backup()
    assert loss.restore(with_file=False).review.doubt is not None
    with loss.serve():
        pass
    assert loss.restore(with_file=False).review.doubt is not None


def test_after_a_review_the_next_backup_is_covered_again(loss: Loss) -> None:
    loss.backup()
    loss.restore(with_file=False)
    made_us = loss.api.clock() + MINUTE_US
    found = read(loss.file.parent.parent / "new" / "revoked-keys")
    assert key_review.doubt_of(found, [], made_us=made_us) is None


def damaged(loss: Loss) -> None:
    text = loss.file.read_text()
    loss.file.write_text('{"handle": "k0", "revoked_at": "yesterday"}\n' + text)


def begun_later(loss: Loss) -> None:
    loss.file.unlink()
    revocations.append(loss.file, {}, begun_us=loss.api.clock() + 1)


def of_another_database(loss: Loss) -> None:
    loss.file.unlink()
    revocations.append(loss.file, {"k00000000": NOW_US})


@pytest.mark.parametrize("spoil", [damaged, begun_later, of_another_database])
def test_a_file_that_may_lack_a_revocation_suspends_and_is_applied_all_the_same(
    loss: Loss, spoil: Callable[[Loss], None]
) -> None:
    by_request(loss.api, a_key(loss.api))
    token = a_key(loss.api, role="planner")
    loss.backup()
    spoil(loss)
    by_request(loss.api, token)
    review = loss.restore().review
    assert review.doubt is not None
    assert handle_of(loss.api.tokens["admin"]) in [key.handle for key in review.suspended]
    assert handle_of(token) in [key.handle for key in review.ended]


def test_a_last_line_that_was_cut_short_was_never_committed(tmp_path: Path) -> None:
    path = tmp_path / "revoked-keys"
    revocations.append(path, {"k1": NOW_US})
    with path.open("a") as file:
        file.write('{"handle": "k2", "revo')
    assert read(path) == Revoked(handles={"k1": NOW_US})
    revocations.append(path, {"k3": NOW_US})
    assert read(path) == Revoked(handles={"k1": NOW_US, "k3": NOW_US})


@pytest.mark.parametrize(
    "line",
    [
        "",
        "k1",
        "[]",
        "{}",
        '{"handle": "k1"}',
        '{"handle": 1, "revoked_at": "2026-03-02T09:00:00Z"}',
        '{"handle": "../x", "revoked_at": "2026-03-02T09:00:00Z"}',
        '{"handle": "k1", "revoked_at": "2026-03-02"}',
        '{"handle": "k1", "revoked_at": "2026-03-02T09:00:00Z", "secret": "x"}',
        '{"complete_since": 1}',
    ],
)
def test_a_line_that_is_none_of_ours_is_a_doubt(tmp_path: Path, line: str) -> None:
    path = tmp_path / "revoked-keys"
    path.write_text(line + "\n")
    assert read(path) == Revoked(handles={}, unreadable_line=1)


def test_a_file_that_is_named_and_not_there_or_is_a_link_is_an_error(loss: Loss) -> None:
    loss.backup()
    there = loss.file.rename(loss.file.with_name("moved"))
    with pytest.raises(CalledWrongly):
        loss.restore()
    loss.file.symlink_to(there)
    with pytest.raises(CalledWrongly):
        loss.restore()
    if loss.api.resources.is_sqlite:
        assert not Path(loss.url.removeprefix("sqlite:///")).exists()


# ---------------------------------------------------------------- restored by hand, older releases


def test_a_database_that_was_put_back_by_hand_revokes_at_its_start(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    """A copy of the file in place of the lost one, beside the archive that outlived it."""
    with in_process(sqlite_database_url) as api:
        token, tokens = a_key(api), api.tokens
    shutil.copyfile(tmp_path / "ingest.db", tmp_path / "copy.db")
    with in_process(sqlite_database_url, tokens=tokens) as api:
        by_request(api, token)
    for leftover in tmp_path.glob("ingest.db-*"):
        leftover.unlink()
    shutil.copyfile(tmp_path / "copy.db", tmp_path / "ingest.db")
    with in_process(sqlite_database_url, tokens=tokens) as api:
        assert posted(api, token) == (401, "key_unknown")
        assert asked(api, tokens["admin"]) == (200, None)


def test_what_was_revoked_before_there_was_a_file_is_in_it_from_the_start(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    with in_process(sqlite_database_url) as api:
        token, tokens = a_key(api), api.tokens
        by_request(api, token)
    path = tmp_path / "ingest.db.archive" / "revoked-keys"
    path.unlink()
    with in_process(sqlite_database_url, tokens=tokens):
        assert read(path) == Revoked(handles={handle_of(token): NOW_US}, complete_since_us=NOW_US)


def test_a_database_without_keys_begins_a_file_that_is_complete(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'fresh.db'}"
    out = ["--out", str(tmp_path / "admin.key"), "--database", url]
    assert main(["keys", "create", "--role", "admin", *out]) == 0
    file = tmp_path / "fresh.db.archive" / "revoked-keys"
    found = read(file)
    assert (found.handles, found.unreadable_line) == ({}, None)
    begun_us = found.complete_since_us
    assert begun_us is not None
    revocations.append(file, {"k1": begun_us + 9}, begun_us=begun_us + 9)  # the first ever, after a backup
    assert key_review.doubt_of(read(file), [], made_us=begun_us + 1) is None
    file.write_bytes(b"")
    assert revocations.read(file) is None, "an empty file says nothing, so it is none"


def test_a_backup_of_an_older_schema_is_brought_up_and_looked_through(
    empty_database_url: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    with opened(empty_database_url) as engine:
        database.migrate(engine, to="0009")
        with engine.begin() as connection:
            connection.execute(sa.text("INSERT INTO owners (id, name, created_us) VALUES (1, 'plateau', 0)"))
            for number, role in enumerate(("admin", "device", "device")):
                connection.execute(
                    sa.text(
                        "INSERT INTO keys (handle, secret_hash, owner_id, role, note, created_us) "
                        "VALUES (:handle, '', 1, :role, '', 0)"
                    ),
                    {"handle": f"k{number}", "role": role},
                )
    folder = tmp_path / "older"
    backup.backup(
        empty_database_url, folder, to=tmp_path / "backup", now_us=NOW_US, disk=Disk(), tools=PG_TOOLS
    )
    sqlite = empty_database_url.startswith("sqlite")
    url = f"sqlite:///{tmp_path / 'new.db'}"
    if not sqlite:
        url = request.getfixturevalue("postgres").empty()
    revocations.append(tmp_path / "revoked", {"k2": NOW_US}, begun_us=NOW_US + 1)
    review = restore.restore(
        url,
        folder,
        source=tmp_path / "backup",
        now_us=NOW_US,
        disk=Disk(),
        tools=PG_TOOLS,
        revoked_keys=tmp_path / "revoked",
    ).review
    assert ([key.handle for key in review.suspended], list(review.revoked)) == (["k0"], ["k2"])
    with opened(url) as engine:
        database.check(engine)
        with engine.connect() as connection:
            assert database.revision_of(connection) == database.newest_revision()
            states = {k.handle: (k.revoked_us, k.suspended_us) for k in keys.every(connection)}
    assert states == {"k0": (None, NOW_US), "k1": (None, None), "k2": (NOW_US, None)}


def test_a_backup_of_a_newer_schema_is_refused(loss: Loss) -> None:
    loss.backup()
    folder = loss.file.parent.parent / "backup"
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps(manifest | {"schema": "9999"}))
    with pytest.raises(CalledWrongly):
        loss.restore()


# ---------------------------------------------------------------- codes


def test_a_code_used_after_the_backup_is_not_usable_again(loss: Loss) -> None:
    """Enrolments and offers; and those still open end too: they cannot be told from the used ones."""
    api = loss.api
    wanted = {"device": NEW, "machine": "loader-02"}
    used, still_open = (api.post("/v1/enrolments", wanted).json()["code"] for _ in range(2))
    offered = api.post("/v1/transfers", {"machine": "loader-02"}).json()["code"]
    loss.backup()
    assert api.post("/v1/enrol", {"code": used}, key=None).status_code == 201
    taken = api.post("/v1/transfers/accept", {"code": offered}, key="quarry admin")
    assert taken.status_code == 200
    review = loss.restore().review
    assert review.codes == 3
    with loss.serve() as restored:
        for code in (used, still_open):
            answer = restored.post("/v1/enrol", {"code": code}, key=None)
            assert (answer.status_code, answer.json()["code"]) == (403, "code_not_valid")
        again = restored.post("/v1/transfers/accept", {"code": offered}, key="quarry admin")
        assert (again.status_code, again.json()["code"]) == (403, "code_not_valid")
        states = {e["state"] for e in restored.get("/v1/enrolments").json()["enrolments"]}
        assert states == {"cancelled"}
    assert len(audit_of(loss.url, "codes_cancelled")) == 1


def test_a_code_used_before_the_backup_gives_no_second_key_after_the_restore(loss: Loss) -> None:
    """The restored database cannot know that the key was used meanwhile."""
    api = loss.api
    code = api.post("/v1/enrolments", {"device": NEW, "machine": "loader-02"}).json()["code"]
    shown = {"code": code, "attempt": "of-this-gateway"}
    assert api.post("/v1/enrol", shown, key=None).status_code == 201
    loss.backup()
    loss.restore()
    with loss.serve() as restored:
        again = restored.post("/v1/enrol", shown, key=None)
        assert (again.status_code, again.json()["code"]) == (403, "code_not_valid")


# ---------------------------------------------------------------- cut short


def test_a_restore_that_ends_before_the_keys_were_looked_through_leaves_no_database(
    loss: Loss, monkeypatch: pytest.MonkeyPatch
) -> None:
    loss.backup()

    def end(*_: Any, **__: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(key_review, "after_restore", end)
        with pytest.raises(KeyboardInterrupt):
            loss.restore()
    if loss.api.resources.is_sqlite:
        assert not Path(loss.url.removeprefix("sqlite:///")).exists()
    else:
        with opened(loss.url) as engine:
            assert sa.inspect(engine).get_table_names() == []


@pytest.mark.postgres
def test_a_loaded_dump_is_no_database_of_ours_until_the_keys_were_looked_through(
    tmp_path: Path, postgres: Postgres
) -> None:
    """A process that is killed in between can undo nothing: then no server may take it."""
    url = postgres.migrated()
    backup.backup(url, tmp_path / "older", to=tmp_path / "backup", now_us=NOW_US, disk=Disk(), tools=PG_TOOLS)
    loaded = postgres.empty()
    pg_tools.load(loaded, tmp_path / "backup" / "database.dump", PG_TOOLS)
    with opened(loaded) as engine:
        assert "keys" in sa.inspect(engine).get_table_names()
        with pytest.raises(CalledWrongly):
            database.require_newest(engine, migrate_empty=False, migrate_old=False)


# ---------------------------------------------------------------- pure


@pytest.mark.parametrize(
    ("revoked", "then", "is_doubted"),
    [
        (None, [], True),
        (Revoked(handles={}), [], False),
        (Revoked(handles={}), ["k1"], True),
        (Revoked(handles={"k1": 0, "k2": 0}), ["k1"], False),
        (Revoked(handles={}, complete_since_us=NOW_US), [], False),
        (Revoked(handles={}, complete_since_us=NOW_US + 1), [], True),
        (Revoked(handles={}, unreadable_line=3), [], True),
    ],
)
def test_a_file_is_believed_only_where_it_has_every_revocation(
    revoked: Revoked | None, then: list[str], is_doubted: bool
) -> None:
    assert (key_review.doubt_of(revoked, then, made_us=NOW_US) is not None) == is_doubted


def test_instants_of_the_file_are_those_of_the_wire(tmp_path: Path) -> None:
    revocations.append(tmp_path / "file", {"k1": NOW_US}, complete_since_us=NOW_US)
    lines = [json.loads(line) for line in (tmp_path / "file").read_text().splitlines()]
    at = instant_text(NOW_US)
    assert lines == [{"complete_since": at}, {"handle": "k1", "revoked_at": at}]


# ---------------------------------------------------------------- people


def test_a_person_revoked_after_the_backup_stays_revoked_and_sessions_and_links_are_over(loss: Loss) -> None:
    quick_passwords(loss.api)
    gone, there = signed_in(loss.api, "gone", "admin"), signed_in(loss.api, "there", "admin")
    code = invited(loss.api, "late", "viewer")
    loss.backup()
    assert loss.api.request("DELETE", "/v1/people/gone").status_code == 200
    review = loss.restore().review
    assert review.doubt is None
    assert [person.name for person in review.people_ended] == ["gone"]
    assert review.people_waiting == []
    [line] = [line for line in restore_lines(review, "sqlite:////srv/shop one.db") if "late" in line]
    said, command = line.split(": ", 1)
    assert said == "the link of late has ended"
    reset = ["cleanside-ingest", "people", "reset", "late", "--owner", "plateau"]
    assert shlex.split(command) == [*reset, "--database", "sqlite:////srv/shop one.db"]
    with loss.serve() as restored:
        quick_passwords(restored)
        for browser in (gone, there):
            before = Browser(restored)
            before.cookies = dict(browser.cookies)
            assert before.get("/v1/me").status_code == 401
        body = {"code": code, "password": PASSWORD}
        assert Browser(restored).post("/v1/invitations/accept", body).status_code == 403
        assert Browser(restored).sign_in("gone").json()["code"] == "sign_in_refused"
        admin = Browser(restored)
        assert admin.sign_in("there").status_code == 201
        assert "the link has ended; give a new one" in admin.get("/people").text
    assert ("restore", "gone") in audit_of(loss.url, "person_revoked")


def test_without_the_file_an_invited_person_is_confirmed_and_then_reset_at_the_restored_database(
    loss: Loss, tmp_path: Path
) -> None:
    quick_passwords(loss.api)
    signed_in(loss.api, "there", "admin")
    invited(loss.api, "late", "viewer")
    loss.backup()
    review = loss.restore(with_file=False).review
    printed = [line for line in restore_lines(review, "sqlite:////srv/shop one.db") if " people " in line]
    there = ["--owner", "plateau", "--database", "sqlite:////srv/shop one.db"]
    assert [shlex.split(line, comments=True)[2:] for line in printed] == [
        ["confirm", "there", *there],
        ["confirm", "late", *there],
        ["reset", "late", *there],
    ]
    assert loss.command("people", "confirm", "late", "--owner", "plateau") == 0
    link = tmp_path / "link"
    assert loss.command("people", "reset", "late", "--owner", "plateau", "--out", str(link)) == 0
    with loss.serve() as restored:
        quick_passwords(restored)
        body = {"code": link.read_text().strip().partition("code=")[2], "password": PASSWORD}
        assert Browser(restored).post("/v1/invitations/accept", body).is_success


def test_an_owners_name_is_quoted_in_a_command_that_restore_prints(loss: Loss) -> None:
    invited(loss.api, "late", "viewer")
    loss.backup()
    review = loss.restore().review
    named = dataclasses.replace(
        review, people_invited=[one._replace(owner="two words; $(id)") for one in review.people_invited]
    )
    [line] = [line for line in restore_lines(named, loss.url) if "late" in line]
    assert "two words; $(id)" in shlex.split(line.split(": ", 1)[1])


def test_without_the_file_people_wait_until_somebody_at_the_server_confirms_them(loss: Loss) -> None:
    quick_passwords(loss.api)
    for name in ("there", "other"):
        signed_in(loss.api, name, "admin")
    loss.backup()
    review = loss.restore(with_file=False).review
    assert [person.name for person in review.people_waiting] == ["there", "other"]
    assert loss.command("people", "confirm", "there", "--owner", "plateau") == 0
    assert loss.command("people", "confirm", "there", "--owner", "plateau") == 2
    with loss.serve() as restored:
        quick_passwords(restored)
        assert Browser(restored).sign_in("there").status_code == 201
        assert Browser(restored).sign_in("other").json()["code"] == "person_suspended"


def test_a_start_revokes_the_people_that_the_file_has(sqlite_database_url: str) -> None:
    """A crash between file and commit, or a database put back by hand."""
    with in_process(sqlite_database_url) as api:
        quick_passwords(api)
        signed_in(api, "mara", "viewer")
        with api.resources.reading() as connection:
            handle = connection.scalar(sa.select(models.people.c.handle))
        revocations.append(api.resources.archive_folder / "revoked-keys", {handle: NOW_US})
        tokens = api.tokens
    with in_process(sqlite_database_url, tokens=tokens) as api:
        [mara] = api.get("/v1/people").json()["people"]
        [entry] = api.get("/v1/audit?limit=1").json()["entries"]
    assert (mara["state"], entry["who"], entry["what"]) == ("revoked", "start", "person_revoked")


def test_an_archive_folder_that_is_made_because_it_was_not_there_is_said(
    sqlite_database_url: str, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    flags = {"database": sqlite_database_url, "archive_folder": str(tmp_path / "mistyped")}
    for _ in range(2):
        with in_process(sqlite_database_url, settings=load(flags=flags, environ={})):
            pass
    made = [record for record in caplog.records if record.getMessage() == "ingest.archive_folder_made"]
    assert [record.__dict__["folder"] for record in made] == [flags["archive_folder"]]
