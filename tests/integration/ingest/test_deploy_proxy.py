"""
Requests through a real nginx with `ingest/deploy/proxy.conf`, of which only addresses and files are replaced.

What the proxy must do is on the page `howto/proxy-tls.md`; that page and the file are one text
(`tests/contract/test_deploy_containers.py`). Debian's nginx is run from a folder of the test, on loopback.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import socket
import ssl
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import httpx
import pytest
import trustme

from cleanside.gateway.wire.limits import MAX_BODY_BYTES
from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import wait_until
from tests.support.house import ROOT
from tests.support.serving import DEVICE, STREAM, ServerProcess, as_process, batch, bearer

NGINX = shutil.which("nginx", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin"]))
pytestmark = pytest.mark.skipif(NGINX is None, reason="nginx is not installed (Debian: nginx)")

FILE = ROOT / "ingest" / "deploy" / "proxy.conf"
TRIES = 5  # with a wrong key, of an address in a minute
MACHINE = "grader-07"
WITHIN_S = 30.0
#: beside the file: where nginx puts its own files, and that it stays in the foreground
AROUND = """
{user}
worker_processes 1;
daemon off;
pid {folder}/nginx.pid;
error_log stderr warn;
events {{ worker_connections 64; }}
http {{
    access_log off;
    client_body_temp_path {folder}/body;
    proxy_temp_path {folder}/proxy;
    fastcgi_temp_path {folder}/fastcgi;
    uwsgi_temp_path {folder}/uwsgi;
    scgi_temp_path {folder}/scgi;
    include {folder}/proxy.conf;
}}
"""


class Proxied(NamedTuple):
    """A server behind its proxy."""

    server: ServerProcess
    port: int
    #: trusts the proxy's certificate
    trust: ssl.SSLContext
    settings: Path

    def client(self, key: str | None = "device", *, address: str = "127.0.0.1") -> httpx.Client:
        """A client of the proxy, with the key of a role, from an address of this machine."""
        return httpx.Client(
            base_url=f"https://127.0.0.1:{self.port}",
            headers={} if key is None else bearer(self.server.tokens[key]),
            transport=httpx.HTTPTransport(verify=self.trust, local_address=address),
            timeout=WITHIN_S,
        )


@pytest.fixture(scope="module")
def proxied(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Proxied]:
    folder = tmp_path_factory.mktemp("proxy")
    behind = ("--behind-proxy", "--trusted-proxies", "127.0.0.1", "--public-address", "https://127.0.0.1")
    limits = ("--address-tries-per-minute", str(TRIES))
    with as_process(migrated_sqlite(folder), *behind, *limits) as server:
        made, port = settings_of(folder, server)
        command = [str(NGINX), "-p", str(folder), "-e", "stderr", "-c", str(made)]
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            authority = ssl.create_default_context(cafile=str(folder / "authority.pem"))
            found = Proxied(server, port, authority, made)
            wait_until(lambda: answers(found), "nginx answers", deadline_s=WITHIN_S)
            with found.client("admin") as http:
                http.post("/v1/machines", json={"machine": MACHINE}).raise_for_status()
                http.post("/v1/devices", json={"device": DEVICE, "machine": MACHINE}).raise_for_status()
            yield found
        finally:
            process.send_signal(signal.SIGTERM)
            process.wait(WITHIN_S)


def settings_of(folder: Path, server: ServerProcess) -> tuple[Path, int]:
    """The proxy's files in a folder: ours, and one around it. Its port too."""
    authority = trustme.CA()
    made = authority.issue_cert("127.0.0.1")
    authority.cert_pem.write_to_path(str(folder / "authority.pem"))
    (folder / "chain.pem").write_bytes(b"".join(blob.bytes() for blob in made.cert_chain_pems))
    made.private_key_pem.write_to_path(str(folder / "key.pem"))
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = int(free.getsockname()[1])
    text = FILE.read_text()
    for given, here in (
        ("listen 443 ssl;", f"listen 127.0.0.1:{port} ssl;"),
        ("/etc/nginx/tls/", f"{folder}/"),
        ("http://server:8750;", f"{server.url};"),
    ):
        assert given in text
        text = text.replace(given, here)
    (folder / "proxy.conf").write_text(text)
    user = "user root;" if os.geteuid() == 0 else ""  # its workers read a folder of this user alone
    around = folder / "nginx.conf"
    around.write_text(AROUND.format(folder=folder, user=user))
    return around, port


def answers(proxied: Proxied) -> bool:
    try:
        with proxied.client(None) as http:
            return http.get("/healthz").status_code == 200
    except httpx.TransportError:
        return False


def test_nginx_has_nothing_to_say_about_the_file(proxied: Proxied) -> None:
    folder = proxied.settings.parent
    command = [str(NGINX), "-t", "-p", str(folder), "-e", "stderr", "-c", str(proxied.settings)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    said = [line.partition(": ")[2] for line in done.stderr.splitlines()]
    assert [line.rpartition(" ")[2] for line in said] == ["ok", "successful"], done.stderr


@pytest.mark.parametrize("coding", [None, "gzip"])
def test_a_batch_goes_through_as_it_is(proxied: Proxied, coding: str | None) -> None:
    first = 1 if coding is None else 101
    body = json.dumps(batch(first, [3.0, 3.1])).encode()
    headers = {"Content-Type": "application/json"}
    if coding == "gzip":
        body, headers = gzip.compress(body), headers | {"Content-Encoding": coding}
    with proxied.client() as http:
        answer = http.post("/v1/readings", content=body, headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.json()["stored"] == 2


def test_an_answer_is_compressed_once(proxied: Proxied) -> None:
    with proxied.client(None) as http, http.stream("GET", "/openapi.json") as answer:
        raw = b"".join(answer.iter_raw())
    assert answer.headers["content-encoding"] == "gzip"
    assert json.loads(gzip.decompress(raw))["openapi"].startswith("3.")


def test_a_body_over_the_limit_is_refused_by_the_server_in_its_own_words(proxied: Proxied) -> None:
    """Also where its length is not known before it has come."""

    def pieces() -> Iterator[bytes]:
        for _ in range(20 * MAX_BODY_BYTES // 65_536):
            yield b" " * 65_536

    headers = {"Content-Type": "application/json"}
    for content in (b" " * (MAX_BODY_BYTES + 1), b" " * 20 * MAX_BODY_BYTES, pieces()):
        with proxied.client() as http:
            answer = http.post("/v1/readings", content=content, headers=headers)
        assert (answer.status_code, answer.json()["code"]) == (413, "body_too_large")


def test_a_body_over_the_largest_bundle_is_refused_at_its_head(proxied: Proxied) -> None:
    head = f"POST /v1/bundles HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {2**30 + 1}\r\n\r\n"
    with (
        socket.create_connection(("127.0.0.1", proxied.port), WITHIN_S) as plain,
        proxied.trust.wrap_socket(plain, server_hostname="127.0.0.1") as encrypted,
    ):
        encrypted.sendall(head.encode())
        assert encrypted.recv(64).startswith(b"HTTP/1.1 413 ")


def test_events_of_a_stream_come_as_they_happen(proxied: Proxied) -> None:
    """The answer does not end: what a proxy held back would never come."""
    with proxied.client("admin") as http, http.stream("GET", f"/visit/{MACHINE}/live") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        events = events_of(answer)
        assert "live" in next(events)
        with proxied.client() as device:
            device.post("/v1/readings", json=batch(201, [4.05], stream=STREAM)).raise_for_status()
        assert "4.05" in next(event["live"] for event in events if "live" in event)


def events_of(answer: httpx.Response) -> Iterator[dict[str, Any]]:
    """What each event carries, as it comes."""
    for line in answer.iter_lines():
        if line.startswith("data: "):
            yield json.loads(line.removeprefix("data: "))


def test_a_client_is_known_by_its_own_address_whatever_it_says(proxied: Proxied) -> None:
    """Wrong keys are counted by address (429): that of the client, not the proxy's nor one it made up."""
    wrong = {"Authorization": "Bearer k00000000.wrong"}
    with proxied.client(None, address="127.0.0.2") as guessing:
        found = [
            guessing.get("/v1/fleet", headers=wrong | {"X-Forwarded-For": f"192.0.2.{n}"}).status_code
            for n in range(TRIES + 2)
        ]
    assert (found[0], found[-1]) == (401, 429)
    with proxied.client(None, address="127.0.0.3") as other:
        assert other.get("/v1/fleet", headers=wrong).status_code == 401
    with proxied.client("admin", address="127.0.0.3") as other:
        assert other.get("/v1/fleet").status_code == 200


def test_a_request_came_over_tls_whatever_the_client_says_and_keeps_its_id(proxied: Proxied) -> None:
    """`Strict-Transport-Security` is sent over TLS alone (RFC 6797, section 7.2)."""
    said = {"X-Forwarded-Proto": "http", "Request-Id": "grader-07-visit.1"}
    with proxied.client("admin") as http:
        answer = http.get("/v1/fleet", headers=said)
    assert answer.headers["strict-transport-security"] == "max-age=31536000"
    assert answer.headers["request-id"] == said["Request-Id"]
    with proxied.server.client("admin") as past:  # without the proxy the server was not reached over TLS
        assert "strict-transport-security" not in past.get("/v1/fleet").headers
