"""
Signing in by an OpenID provider that others made: oidc-provider (npm, MIT; versions and checksums in
`tests/openid/package-lock.json`), certified as conforming to OpenID Connect (its README).

It runs as a process on loopback, and checks by itself what it is asked for: discovery (OpenID Connect
Discovery 1.0), the code flow (OpenID Connect Core 1.0), PKCE (RFC 7636), the client's address and secret
(RFC 6749). It names itself in the answer (RFC 9207). What this server refuses is in `test_oidc.py`.
"""

from __future__ import annotations

import html
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urljoin, urlsplit

import httpx
import pytest

from tests.support.databases import migrated_sqlite
from tests.support.serving import ServerProcess, as_process

HERE = Path(__file__).parents[2] / "openid"
CLIENT, SECRET = "cleanside-of-the-plateau", "a-secret:with/signs%"
BACK = "/sign-in/provider/back"


class CertifiedProvider:
    """The provider as a process; started again it has another key."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[str] | None = None
        self._port = ""

    @property
    def issuer(self) -> str:
        return f"http://127.0.0.1:{self._port}"

    def listen(self, algorithm: str) -> None:
        """Take the port of before, or a free one."""
        command = ["node", "provider.mjs", CLIENT, SECRET, algorithm, *filter(None, [self._port])]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "text": True}
        self._process = subprocess.Popen(command, cwd=self._folder, **pipes)  # type: ignore[call-overload]
        self._port = self._said()

    def know(self, server: ServerProcess) -> None:
        """Say where people are sent back to."""
        process = self._running()
        assert process.stdin is not None
        process.stdin.write(f"{server.url}{BACK}\n")
        process.stdin.flush()
        assert self._said() == "ready"

    def key_ids(self) -> list[str]:
        with httpx.Client(trust_env=False) as http:
            keys = http.get(f"{self.issuer}/jwks").raise_for_status().json()["keys"]
        return [key["kid"] for key in keys]

    def end(self) -> None:
        process = self._running()
        process.kill()
        process.communicate(timeout=30)

    def _said(self) -> str:
        process = self._running()
        assert process.stdout is not None
        return process.stdout.readline().strip()

    def _running(self) -> subprocess.Popen[str]:
        assert self._process is not None
        return self._process


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the packages of the lock, from whichever registry this machine asks."""
    made = tmp_path_factory.mktemp("openid")
    for name in ("package.json", "package-lock.json", ".npmrc", "provider.mjs"):
        shutil.copy(HERE / name, made)
    install = ["npm", "ci", "--ignore-scripts", "--prefer-offline", "--no-audit", "--no-fund"]
    subprocess.run(install, cwd=made, check=True, capture_output=True, timeout=110)
    return made


@pytest.fixture(params=["RS256", "ES256"])
def provider(folder: Path, request: Any) -> Iterator[CertifiedProvider]:
    running = CertifiedProvider(folder)
    running.listen(request.param)
    try:
        yield running
    finally:
        running.end()


@pytest.fixture
def server(provider: CertifiedProvider, tmp_path: Path) -> Iterator[ServerProcess]:
    secret = tmp_path / "secret"
    secret.write_text(f"{SECRET}\n")
    secret.chmod(0o600)
    flags = ["--oidc-issuer", provider.issuer, "--oidc-client-id", CLIENT]
    flags += ["--oidc-client-secret-file", str(secret), "--oidc-name", "the directory"]
    with as_process(migrated_sqlite(tmp_path), *flags) as running:
        provider.know(running)
        yield running


def invited(server: ServerProcess, person: str) -> str:
    """The code of the link of an invitation."""
    with server.client("admin") as admin:
        made = admin.post("/v1/people", json={"name": person, "role": "planner"}).raise_for_status().json()
    return parse_qs(urlsplit(made["link"]).query)["code"][0]


def browser(server: ServerProcess) -> httpx.Client:
    return httpx.Client(base_url=server.url, timeout=30.0, trust_env=False, follow_redirects=True)


def through(client: httpx.Client, subject: str, **query: str) -> httpx.Response:
    """Through the pages of the provider, which ask who it is and whether they agree, and back."""
    answer = client.get("/sign-in/provider", params=query)
    for _ in range(2):
        assert answer.status_code == 200, answer.text
        form = re.search(r'<form[^>]*action="([^"]+)"', answer.text)
        assert form is not None, answer.text
        fields = dict(re.findall(r'<input[^>]*type="hidden"[^>]*name="([^"]+)" value="([^"]*)"', answer.text))
        fields |= {"login": subject, "password": "any"} if fields.get("prompt") == "login" else {}
        answer = client.post(urljoin(str(answer.url), html.unescape(form[1])), data=fields)
        if BACK in str(answer.history[-1].url if answer.history else ""):
            break
    return answer


def person_of(client: httpx.Client) -> str | None:
    answer = client.get("/v1/me")
    return answer.json()["person"] if answer.status_code == 200 else None


def test_somebody_signs_in_by_it_once_bound_also_after_it_changed_its_key(
    provider: CertifiedProvider, server: ServerProcess
) -> None:
    with browser(server) as first:
        through(first, "mara@works.example", code=invited(server, "mara"))
        assert person_of(first) == "mara"
    with browser(server) as again:
        answer = through(again, "mara@works.example", next="/fleet?kind=grader")
        assert (answer.url.path, person_of(again)) == ("/fleet", "mara")
    with browser(server) as stranger:
        assert through(stranger, "otto@works.example").status_code == 403
        assert person_of(stranger) is None

    before, algorithm = provider.key_ids(), "ES256"
    provider.end()
    provider.listen(algorithm)
    provider.know(server)
    assert not set(before) & set(provider.key_ids())
    with browser(server) as later:
        through(later, "mara@works.example")
        assert person_of(later) == "mara"
