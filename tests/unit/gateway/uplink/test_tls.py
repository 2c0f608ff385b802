"""TLS for real: a server with a certificate of an authority made for the test, and one that asks for ours."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
import trustme

from cleanside.gateway.cli import main
from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.uplink.fakes import FakeServer
from cleanside.gateway.uplink.tls import verified
from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Outcome, Reply, Request
from tests.support.coded import refused
from tests.unit.gateway.helpers import BEGIN_US, DEVICE

GET = Request(method="GET", path="/v1/streams/x")


class Site:
    """A server that keeps the contract, behind TLS; remembers whose certificate was shown."""

    def __init__(self, context: ssl.SSLContext) -> None:
        #: common names of the certificates that were shown; None: none was
        self.shown: list[str | None] = []
        self.server = FakeServer(now_us=lambda: BEGIN_US)
        site = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                connection: Any = self.connection
                site.shown.append(_common_name(connection.getpeercert()))
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                reply = site.server.send(
                    Request(method=self.command, path=self.path, headers=dict(self.headers), body=body)
                )
                assert isinstance(reply, Reply)
                self.send_response(reply.status)
                for name, value in {**reply.headers, "content-length": str(len(reply.body))}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(reply.body)

            do_POST = do_GET

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing."""

        class Quiet(ThreadingHTTPServer):
            def handle_error(self, *_: object) -> None:
                """A handshake that fails is what some tests are about."""

        self._listening = Quiet(("127.0.0.1", 0), Handler)
        self._listening.socket = context.wrap_socket(
            self._listening.socket, server_side=True, do_handshake_on_connect=False
        )
        self._thread = threading.Thread(target=self._listening.serve_forever, args=(0.01,))
        self._thread.start()
        self.port = self._listening.server_port

    def close(self) -> None:
        self._listening.shutdown()
        self._listening.server_close()
        self._thread.join()


def _common_name(certificate: dict[str, Any] | None) -> str | None:
    fields = dict(pair[0] for pair in (certificate or {}).get("subject", ()))
    return fields.get("commonName")


class Papers:
    """An authority, and files of what it signed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.authority = trustme.CA()
        self.ca_file = folder / "ca.pem"
        self.authority.cert_pem.write_to_path(str(self.ca_file))

    def server(self, name: str, *, asks: bool = False, **more: Any) -> ssl.SSLContext:
        """The server's side. asks : it wants a certificate of whoever connects."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.authority.issue_cert(name, **more).configure_cert(context)
        if asks:
            context.verify_mode = ssl.CERT_REQUIRED
            self.authority.configure_trust(context)
        return context

    def ours(self, name: str) -> tuple[Path, Path]:
        """Files of a certificate for the machine, and of its key."""
        made = self.authority.issue_cert(name, common_name=name)
        certificate, key = self.folder / f"{name}.pem", self.folder / f"{name}.key"
        made.cert_chain_pems[0].write_to_path(str(certificate))
        made.private_key_pem.write_to_path(str(key))
        return certificate, key


@pytest.fixture
def papers(tmp_path: Path) -> Papers:
    return Papers(tmp_path)


@pytest.fixture
def sites() -> Iterator[list[Site]]:
    made: list[Site] = []
    yield made
    for site in made:
        site.close()


def ask(site: Site, *, host: str = "127.0.0.1", **files: Path) -> Outcome:
    transport = HttpTransport(f"https://{host}:{site.port}", key=lambda: "k.s", timeout_s=5.0, **files)
    try:
        return transport.send(GET)
    finally:
        transport.close()


def test_an_authority_of_ones_own_is_trusted_and_no_other(papers: Papers, sites: list[Site]) -> None:
    sites.append(Site(papers.server("127.0.0.1")))
    reply = ask(sites[0], ca_file=papers.ca_file)
    assert isinstance(reply, Reply)
    assert reply.status == 404  # the server keeps the contract: the stream is unknown
    assert reply.trusted
    strangers = papers.folder / "strangers.pem"
    trustme.CA().cert_pem.write_to_path(str(strangers))
    for outcome in (ask(sites[0], ca_file=strangers), ask(sites[0])):  # another's, and the system's
        assert isinstance(outcome, NoAnswer)
        assert "certificate verify failed" in outcome.reason
        assert "uplink.ca_file" in outcome.reason
    assert len(sites[0].shown) == 1  # the key was sent to no server that was not verified


def test_a_certificate_of_another_host_is_refused(papers: Papers, sites: list[Site]) -> None:
    sites.append(Site(papers.server("shop.example")))
    refused = ask(sites[0], ca_file=papers.ca_file)
    assert isinstance(refused, NoAnswer)
    assert "IP address mismatch" in refused.reason
    refused = ask(sites[0], host="localhost", ca_file=papers.ca_file)
    assert isinstance(refused, NoAnswer)
    assert "Hostname mismatch" in refused.reason
    assert sites[0].shown == []


def test_a_certificate_that_has_run_out_is_refused(papers: Papers, sites: list[Site]) -> None:
    past = datetime.now(UTC) - timedelta(days=2)
    sites.append(Site(papers.server("127.0.0.1", not_before=past - timedelta(days=9), not_after=past)))
    refused = ask(sites[0], ca_file=papers.ca_file)
    assert isinstance(refused, NoAnswer)
    assert "expired" in refused.reason
    assert "clock" in refused.reason


def test_the_machines_own_certificate_is_shown_where_the_server_asks(
    papers: Papers, sites: list[Site]
) -> None:
    sites.append(Site(papers.server("127.0.0.1", asks=True)))
    assert isinstance(ask(sites[0], ca_file=papers.ca_file), NoAnswer)  # without one nothing is said
    certificate, key = papers.ours("grader-07-intake")
    reply = ask(sites[0], ca_file=papers.ca_file, certificate_file=certificate, certificate_key_file=key)
    assert isinstance(reply, Reply)
    assert sites[0].shown == ["grader-07-intake"]


def test_old_versions_of_tls_are_not_spoken() -> None:
    context = verified(ca_file=None, certificate_file=None, certificate_key_file=None, where="x")
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2  # RFC 9325 section 3.1.1
    assert context.verify_mode == ssl.CERT_REQUIRED
    assert context.check_hostname


def test_a_key_without_its_certificate_is_refused(papers: Papers) -> None:
    _, key = papers.ours("grader-07-intake")
    with refused(SettingsWrong, "certificate_missing"):
        verified(ca_file=None, certificate_file=None, certificate_key_file=key, where="uplink")


@pytest.mark.parametrize("name", ["ca_file", "certificate_file", "certificate_key_file"])
def test_a_file_that_cannot_be_used_is_named_with_the_setting_it_stands_in(papers: Papers, name: str) -> None:
    certificate, key = papers.ours("grader-07-intake")
    good = {"ca_file": papers.ca_file, "certificate_file": certificate, "certificate_key_file": key}
    missing, none = papers.folder / "missing.pem", papers.folder / "none.pem"
    what = f"uplink: {name}"
    with refused(SettingsWrong, "certificate_unreadable", what=what, file=missing) as said:
        verified(**{**good, name: missing}, where="uplink")
    assert "Errno" not in str(said.value)
    none.write_text("no certificate\n")
    code = "ca_file_empty" if name == "ca_file" else "certificate_unusable"
    with refused(SettingsWrong, code, where="uplink") as said:
        verified(**{**good, name: none}, where="uplink")
    assert "_ssl.c" not in str(said.value)


def test_a_gateway_with_these_settings_brings_its_readings_over_tls(
    papers: Papers, sites: list[Site], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sites.append(Site(papers.server("127.0.0.1", asks=True)))
    certificate, key = papers.ours("grader-07-intake")
    recorded = tmp_path / "run.csv"
    recorded.write_text("dp\n3.05\n3.10\n")
    settings = tmp_path / "gateway.toml"
    settings.write_text(
        f'device = "{DEVICE}"\n[spool]\npath = "{tmp_path}/a.spool"\n'
        f'[uplink]\nserver = "https://127.0.0.1:{sites[0].port}"\nca_file = "{papers.ca_file}"\n'
        f'certificate_file = "{certificate}"\ncertificate_key_file = "{key}"\nlinger_s = 0.05\n'
        f'[run]\nexit_when_done = true\n[[sources]]\nuse = "csv"\npath = "{recorded}"\n'
        'columns = { dp = "restriction kPa" }\nstart = "2026-03-02T06:00:00Z"\nstep_s = 10\npace = "none"\n'
    )
    monkeypatch.setenv("CLEANSIDE_GATEWAY_KEY", "k0.s")
    assert main(["run", "--settings", str(settings)]) == 0
    (stream,) = sites[0].server.streams.values()
    assert (stream.mark, stream.device) == (2, DEVICE)
    assert set(sites[0].shown) == {"grader-07-intake"}
