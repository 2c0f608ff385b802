"""The command `people`, and the link of the first account that `serve` gives out."""

from __future__ import annotations

import os
import pty
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from cleanside.ingest.cli import main
from cleanside.ingest.commands.people import NO_OPEN_LINK, address_of
from cleanside.ingest.owners.people import INVITED_US
from cleanside.ingest.settings import load
from cleanside.ingest.writer import system_clock
from tests.support.people import PASSWORD, Browser, code_of, quick_passwords, signed_in
from tests.support.serving import ServerProcess, in_process


def run(url: str, *words: str) -> int:
    return main(["people", *words, "--database", url])


@pytest.fixture
def link_file(tmp_path: Path) -> Path:
    return tmp_path / "link"


def test_a_link_is_never_shown_to_a_pipe(
    sqlite_database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(sqlite_database_url, "invite", "mara", "--role", "admin") == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "use --out FILE" in shown.err
    with in_process(sqlite_database_url) as api:
        assert api.get("/v1/people").json()["people"] == []


def test_an_admin_can_always_be_made_at_the_server(
    sqlite_database_url: str, link_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["invite", "mara", "--role", "admin", "--owner", "plateau", "--out", str(link_file)]
    assert run(sqlite_database_url, *words, "--public-address", "https://filters.example") == 0
    assert stat.S_IMODE(link_file.stat().st_mode) == 0o600
    link = link_file.read_text().strip()
    assert link.startswith("https://filters.example/join?code=")
    assert code_of(link) not in "".join(capsys.readouterr())
    with in_process(sqlite_database_url) as api:
        quick_passwords(api)
        browser = Browser(api)
        body = {"code": code_of(link), "password": PASSWORD}
        assert browser.post("/v1/invitations/accept", body).json()["role"] == "admin"
        assert browser.get("/v1/keys").status_code == 200


def test_people_are_listed_changed_reset_and_revoked(
    sqlite_database_url: str,
    link_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    url, of = sqlite_database_url, ("--owner", "plateau")
    with in_process(url) as api:
        quick_passwords(api)
        mara, otto = signed_in(api, "mara", "viewer"), signed_in(api, "otto", "planner", sites=["valley"])
        tokens = api.tokens
        assert run(url, "role", "mara", "operator", "--site", "quay", *of) == 2  # no such site yet
        api.post("/v1/sites", {"site": "quay"}).raise_for_status()
    assert run(url, "role", "mara", "operator", "--site", "quay", *of) == 0
    assert run(url, "role", "otto", "planner", "--all-sites", *of) == 0
    assert run(url, "revoke", "mara", *of) == 0
    assert run(url, "reset", "otto", "--out", str(link_file), *of) == 0
    capsys.readouterr()
    assert run(url, "list", *of) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [re.split(r"  +", line)[:3] for line in lines] == [
        ["mara", "operator", "revoked"],
        ["otto", "planner", "invited"],
    ]
    assert NO_OPEN_LINK not in "".join(lines)
    later_us = system_clock.now_us() + INVITED_US
    monkeypatch.setattr("cleanside.ingest.writer.system_clock.now_us", lambda: later_us)
    assert run(url, "list", *of) == 0
    assert [
        line.partition(" ")[0] for line in capsys.readouterr().out.splitlines() if NO_OPEN_LINK in line
    ] == ["otto"]
    monkeypatch.undo()
    for words in (("revoke", "nobody"), ("role", "mara", "viewer"), ("confirm", "otto")):
        assert run(url, *words, *of) == 2
    with in_process(url, tokens=tokens) as api:
        for browser in (mara, otto):
            again = Browser(api)
            again.cookies = dict(browser.cookies)
            assert again.get("/v1/me").status_code == 401
        whos = {entry["who"] for entry in api.get("/v1/audit?limit=4").json()["entries"]}
        assert whos == {"command"}


def test_a_command_beside_a_serving_process_names_the_route(
    server: ServerProcess, link_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(server.database_url, "invite", "mara", "--role", "viewer", "--out", str(link_file)) == 2
    assert "POST /v1/people" in capsys.readouterr().err
    assert not link_file.exists()


@pytest.mark.parametrize(
    ("flags", "address"),
    [
        ({}, "http://127.0.0.1:8750"),
        ({"host": "0.0.0.0", "tls_certificate": "c.pem"}, "https://localhost:8750"),
        ({"host": "::1"}, "http://[::1]:8750"),
        ({"public_address": "https://filters.example"}, "https://filters.example"),
    ],
)
def test_a_link_leads_to_where_the_server_listens(flags: dict[str, str], address: str) -> None:
    assert address_of(load(flags=flags, environ={}), 8750) == address


@pytest.mark.parametrize(
    ("flags", "warned"),
    [
        ({}, False),
        ({"host": "192.0.2.7"}, False),
        ({"host": "0.0.0.0"}, True),
        ({"behind_proxy": True}, True),
        ({"behind_proxy": True, "public_address": "https://filters.example"}, False),
    ],
)
def test_a_server_that_cannot_know_its_name_says_so_at_its_start(
    flags: dict[str, Any], warned: bool, caplog: pytest.LogCaptureFixture
) -> None:
    from cleanside.ingest.commands import serve

    serve._warn_of_no_address(load(flags=flags, environ={}))
    assert ("ingest.public_address_not_set" in caplog.text) is warned


@pytest.mark.parametrize(
    ("host", "proxies", "warned"),
    [
        ("0.0.0.0", ["127.0.0.1"], True),
        ("", ["127.0.0.0/8", "::1"], True),
        ("127.0.0.1", ["127.0.0.1"], False),
        ("localhost", ["::1"], False),
        ("0.0.0.0", ["10.0.0.7"], False),
        ("0.0.0.0", ["*"], False),
        ("0.0.0.0", [], False),
    ],
)
def test_a_server_that_others_reach_past_its_proxy_says_so_at_its_start(
    host: str, proxies: list[str], warned: bool, caplog: pytest.LogCaptureFixture
) -> None:
    from cleanside.ingest.commands import serve

    flags = {"host": host, "behind_proxy": True, "trusted_proxies": ",".join(proxies) or "none"}
    serve._warn_of_open_side(load(flags=flags, environ={}), proxies)
    assert ("ingest.open_beside_proxy" in caplog.text) is warned


# ---------------------------------------------------------------- the first account


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[ServerProcess]:
    """The command on a database that is not there yet: from nothing to a page in one command."""
    server = ServerProcess(f"sqlite:///{tmp_path / 'shop' / 'ingest.db'}", {})
    try:
        server.start()
        yield server
    finally:
        server.close()


def link_of(server: ServerProcess) -> tuple[Path, str]:
    """The file that the server names, and the link in it."""
    found = re.search(r"the link of the first account is in (.*), for 60 minutes", server.log())
    assert found is not None, server.log()
    return Path(found[1]), Path(found[1]).read_text().strip()


def join(server: ServerProcess, code: str, name: str) -> httpx.Response:
    body = {"code": code, "name": name, "password": PASSWORD}
    return httpx.post(f"{server.url}/v1/invitations/accept", json=body, headers={"Origin": server.url})


def test_a_fresh_server_has_one_link_that_makes_the_first_account(fresh: ServerProcess) -> None:
    file, link = link_of(fresh)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert code_of(link) not in fresh.log() + fresh.printed
    assert link == f"{fresh.url}/join?code={code_of(link)}"
    assert join(fresh, code_of(link), "Not A Name").status_code == 422  # uses nothing up
    made = join(fresh, code_of(link), "mara")
    assert (made.status_code, made.json()["role"], made.json()["owner"]) == (201, "admin", "own")
    assert not file.exists()  # it was used: the server goes on
    page = httpx.get(f"{fresh.url}/people", cookies=made.cookies)
    assert page.status_code == 200
    second = join(fresh, code_of(link), "otto")
    assert (second.status_code, second.json()["code"]) == (403, "invitation_not_valid")
    assert fresh.stop() == 0
    assert not file.exists()
    fresh.start()  # there is a person now: no link
    assert fresh.log().count("link of the first account") == 1


def test_the_link_stays_while_others_are_merely_invited(fresh: ServerProcess, tmp_path: Path) -> None:
    fresh.stop()
    link_file = tmp_path / "otto.txt"
    assert run(fresh.database_url, "invite", "otto", "--role", "viewer", "--out", str(link_file)) == 0
    for name in ("ada", "rosa"):  # an admin who has not come in either
        out = tmp_path / f"{name}.txt"
        assert run(fresh.database_url, "invite", name, "--role", "admin", "--out", str(out)) == 0
    fresh.start()
    file, link = link_of(fresh)
    assert file.exists()
    assert join(fresh, code_of(link_file.read_text().strip()), "").status_code == 201  # the viewer
    assert file.exists()
    taken = join(fresh, code_of(link), "otto")
    assert (taken.status_code, taken.json()["code"]) == (409, "name_taken")
    assert join(fresh, code_of((tmp_path / "ada.txt").read_text().strip()), "").status_code == 201
    assert not file.exists()  # an admin can sign in: the link is worth nothing
    assert join(fresh, code_of(link), "mara").json()["code"] == "invitation_not_valid"
    assert fresh.stop() == 0
    fresh.start()
    assert fresh.log().count("link of the first account") == 2
    assert not file.exists()


def test_the_link_dies_with_the_process_that_made_it(fresh: ServerProcess) -> None:
    file, stopped = link_of(fresh)
    assert fresh.stop() == 0
    assert not file.exists()
    fresh.start()
    killed = file.read_text().strip()
    assert killed != stopped
    fresh.kill()
    fresh.start()  # over the file that the killed process left
    now = file.read_text().strip()
    for old in (stopped, killed):
        assert join(fresh, code_of(old), "mara").json()["code"] == "invitation_not_valid"
    assert join(fresh, code_of(now), "mara").status_code == 201


def test_to_a_terminal_the_link_is_shown_and_no_file_is_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cleanside.ingest.commands import first_account

    ours, terminal = pty.openpty()
    with os.fdopen(terminal, "w") as screen:
        monkeypatch.setattr("sys.stderr", screen)
        url = f"sqlite:///{tmp_path / 'ingest.db'}"
        assert main(["migrate", "--database", url]) == 0
        settings = load(flags={"database": url}, environ={})
        with first_account.offered(settings, 8750, 1_000_000):
            screen.flush()
            said = ""
            while "join?code=" not in said or not said.endswith("\n"):  # it comes in pieces
                said += os.read(ours, 10_000).decode()
            assert re.search(r"http://127\.0\.0\.1:8750/join\?code=[0-9a-f]{64}\b", said)
    os.close(ours)
    assert list(tmp_path.glob("*first-account*")) == []


def test_the_folder_of_the_link_is_made(tmp_path: Path) -> None:
    """With PostgreSQL nothing else makes it."""
    from cleanside.ingest.commands import first_account

    file = tmp_path / "not" / "there" / "ingest.first-account"
    first_account._tell("https://filters.example/join?code=1", file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600


def test_where_there_are_two_owners_no_link_is_made(server: ServerProcess) -> None:
    assert "account" not in server.log()  # two owners: it is not clear whose admin
