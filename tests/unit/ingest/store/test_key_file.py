"""The key file: 0600 from its first byte, whole at every moment, never a new key in place of a lost one."""

from __future__ import annotations

import base64
import os
import stat
import threading
from pathlib import Path

import pytest

from cleanside.ingest.errors import CalledWrongly, CannotOpen
from cleanside.ingest.settings import load
from cleanside.ingest.store import key_file
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.sealing import new_key


def code_of(file: KeyFile, *, needed: bool | None = None) -> str:
    with pytest.raises(CannotOpen) as error:
        file.read() if needed is None else file.read_or_make(needed=needed)
    return error.value.code


def test_the_first_need_makes_it_for_its_user_alone(tmp_path: Path) -> None:
    file = KeyFile(tmp_path / "keys", may_make=True)
    before = os.umask(0)
    try:
        keys = file.read_or_make(needed=False)
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "keys").stat().st_mode) == 0o600
    assert [path.name for path in tmp_path.iterdir()] == ["keys"]
    assert file.read_or_make(needed=True) == keys == file.read()
    assert not file.is_readable_by_others
    (tmp_path / "keys").chmod(0o640)
    assert file.is_readable_by_others


def test_those_who_make_it_at_once_get_the_same_key(tmp_path: Path) -> None:
    files = [KeyFile(tmp_path / "keys", may_make=True) for _ in range(8)]
    together, found = threading.Barrier(len(files)), []

    def use(file: KeyFile) -> None:
        together.wait()
        found.append(file.read_or_make(needed=False))

    threads = [threading.Thread(target=use, args=(file,)) for file in files]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(set(found)) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["keys"]


def test_a_lost_file_is_not_replaced_while_something_needs_its_key(tmp_path: Path) -> None:
    file = KeyFile(tmp_path / "keys", may_make=True)
    assert code_of(file, needed=True) == "key_missing"
    assert not (tmp_path / "keys").exists()


def test_where_several_hosts_share_it_none_makes_one_of_its_own(tmp_path: Path) -> None:
    assert code_of(KeyFile(tmp_path / "keys", may_make=False), needed=False) == "key_missing"
    assert code_of(KeyFile(None, may_make=False), needed=False) == "key_missing"
    on_postgres = KeyFile.of(load(flags={"database": "postgresql://h/x"}, environ={}))
    assert on_postgres.path is None


def test_beside_a_sqlite_file_it_has_its_name(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path}/ingest.db"
    assert KeyFile.of(load(flags={"database": url}, environ={})).path == tmp_path / "ingest.db.webhook-key"
    flags = {"database": url, "webhook_key_file": str(tmp_path / "elsewhere")}
    assert KeyFile.of(load(flags=flags, environ={})).path == tmp_path / "elsewhere"


def test_a_change_of_the_file_is_taken_up(tmp_path: Path) -> None:
    file = KeyFile(tmp_path / "keys", may_make=True)
    (first,) = file.read_or_make(needed=False)
    second = new_key()
    key_file.write(tmp_path / "keys", [second, first])
    assert file.read() == (second, first)
    assert stat.S_IMODE((tmp_path / "keys").stat().st_mode) == 0o600
    (tmp_path / "keys").unlink()
    assert code_of(file) == "key_missing"


@pytest.mark.parametrize(
    "content",
    [b"", b"# nothing\n", b"not base64!\n", base64.b64encode(b"short") + b"\n", b"\xff\xfe", b"c2VjcmV0=a"],
)
def test_a_file_that_holds_no_key_says_so_and_shows_nothing_of_it(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "keys").write_bytes(content)
    with pytest.raises(CannotOpen) as error:
        KeyFile(tmp_path / "keys", may_make=True).read()
    assert error.value.code == "key_unreadable"
    shown = content.decode("latin-1").strip().removeprefix("#").strip()
    assert not shown or shown not in str(error.value)


def test_a_file_is_not_made_over_one_that_is_there(tmp_path: Path) -> None:
    key_file.create(tmp_path / "keys")
    kept = (tmp_path / "keys").read_bytes()
    with pytest.raises(CalledWrongly):
        key_file.create(tmp_path / "keys")
    assert (tmp_path / "keys").read_bytes() == kept


def test_a_place_that_takes_no_file_says_what_to_do(tmp_path: Path) -> None:
    file = KeyFile(tmp_path / "no" / "keys", may_make=True)
    assert code_of(file, needed=False) == "key_unreadable"
