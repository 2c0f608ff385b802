"""TLS of `serve`: a real process, certificates of a test authority (trustme), and what is refused without."""

from __future__ import annotations

import os
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
import trustme

from cleanside.gateway.client.client import Client, ServerNotTrusted
from cleanside.gateway.errors import SettingsWrong
from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Reply, Request
from cleanside.ingest.api.server_tls import context, refuse_in_the_clear
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import Settings
from tests.support.coded import refused
from tests.support.databases import migrated_sqlite
from tests.support.gatewaying import wait_until
from tests.support.serving import DEVICE, ServerProcess, as_process, bearer, in_process


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def certificate(authority: trustme.CA, folder: Path, name: str, *identities: str) -> tuple[str, str]:
    """PEM files of a chain and its key."""
    made = authority.issue_cert(*identities)
    chain, key = folder / f"{name}.pem", folder / f"{name}.key"
    chain.write_bytes(b"".join(blob.bytes() for blob in made.cert_chain_pems))
    made.private_key_pem.write_to_path(str(key))
    return str(chain), str(key)


@pytest.fixture(scope="module")
def server(authority: trustme.CA, tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServerProcess]:
    folder = tmp_path_factory.mktemp("tls")
    chain, key = certificate(authority, folder, "server", "127.0.0.1")
    with as_process(migrated_sqlite(folder), "--tls-certificate", chain, "--tls-key", key) as running:
        yield running


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    made = ssl.create_default_context()
    authority.configure_trust(made)
    return made


def test_the_client_trusts_a_private_authority_by_file_or_environment(
    server: ServerProcess, authority: trustme.CA, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trusted = tmp_path / "authority.pem"
    authority.cert_pem.write_to_path(str(trusted))
    key = server.tokens["admin"]
    with Client(server.url, key=key, ca_file=trusted) as client:
        assert client.register_device(DEVICE)["device"] == DEVICE
    monkeypatch.setenv("SSL_CERT_FILE", str(trusted))
    with Client(server.url, key=key) as client:
        assert client.register_device(DEVICE)["device"] == DEVICE
    with refused(SettingsWrong, "certificate_unreadable"):
        Client(server.url, key=key, ca_file=tmp_path / "none.pem")


def test_a_certificate_that_is_not_trusted_is_said_at_once_with_what_to_do(server: ServerProcess) -> None:
    slept: list[float] = []
    with (
        Client(server.url, key=server.tokens["device"], sleep=slept.append) as client,
        pytest.raises(ServerNotTrusted) as raised,
    ):
        list(client.devices())
    assert slept == []
    assert raised.value.next_step == "give ca_file= the certificate of the shop's authority"
    assert raised.value.next_step in str(raised.value)


def test_a_certificate_without_its_key_says_that_the_key_is_missing(
    authority: trustme.CA, tmp_path: Path
) -> None:
    chain, _ = certificate(authority, tmp_path, "alone", "127.0.0.1")
    with refused(CalledWrongly, "tls_key_missing", file=chain):
        context(Settings(tls_certificate=chain))


def test_a_key_that_others_can_read_is_named(
    authority: trustme.CA, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    chain, key = certificate(authority, tmp_path, "open", "127.0.0.1")
    for mode in (0o640, 0o644):
        Path(key).chmod(mode)
        context(Settings(tls_certificate=chain, tls_key=key))
    assert [(r.getMessage(), r.__dict__["file"]) for r in caplog.records] == [
        ("ingest.tls_key_readable", key)
    ]


def test_readings_are_taken_over_tls_by_the_gateways_own_transport(
    server: ServerProcess, authority: trustme.CA, tmp_path: Path
) -> None:
    assert server.url.startswith("https://")
    trusted = tmp_path / "authority.pem"
    authority.cert_pem.write_to_path(str(trusted))
    ways = [
        HttpTransport(server.url, key=lambda: server.tokens["device"], ca_file=ca) for ca in (trusted, None)
    ]
    asked = Request(method="GET", path="/v1/streams/019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11")
    known, stranger = (way.send(asked) for way in ways)
    for way in ways:
        way.close()
    assert isinstance(known, Reply)
    assert (known.status, known.trusted) == (404, True)
    # Whoever shows a certificate of an authority that is not trusted is not our server.
    assert isinstance(stranger, NoAnswer)
    assert "certificate verify failed" in stranger.reason


def test_a_browser_is_told_to_stay_with_tls(server: ServerProcess, authority: trustme.CA) -> None:
    """RFC 6797: Strict-Transport-Security over TLS, and never over plain HTTP."""
    with httpx.Client(verify=trusting(authority), trust_env=False) as client:
        assert client.get(f"{server.url}/healthz").headers["strict-transport-security"] == "max-age=31536000"


def test_plain_http_says_nothing_of_it(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        assert "strict-transport-security" not in api.get("/healthz").headers


@pytest.mark.parametrize(
    ("version", "taken"),
    [(ssl.TLSVersion.TLSv1_1, False), (ssl.TLSVersion.TLSv1_2, True), (ssl.TLSVersion.TLSv1_3, True)],
)
@pytest.mark.filterwarnings("ignore:ssl.TLSVersion.TLSv1_1 is deprecated:DeprecationWarning")
def test_tls_1_2_is_the_least_that_is_spoken(
    server: ServerProcess, authority: trustme.CA, version: ssl.TLSVersion, taken: bool
) -> None:
    """RFC 9325 section 3.1.1; RFC 8996 deprecates TLS 1.0 and 1.1."""
    speaking = trusting(authority)
    speaking.set_ciphers("DEFAULT:@SECLEVEL=0")  # else the client itself would not offer the old one
    speaking.minimum_version = speaking.maximum_version = version
    with socket.create_connection(("127.0.0.1", server.port), timeout=10) as plain:
        if taken:
            with speaking.wrap_socket(plain, server_hostname="127.0.0.1") as wrapped:
                assert wrapped.version() == version.name.replace("_", ".")
        else:
            with pytest.raises(ssl.SSLError, match=r"PROTOCOL|EOF|ALERT"):
                speaking.wrap_socket(plain, server_hostname="127.0.0.1")


def test_plain_http_to_a_tls_port_gets_no_answer(server: ServerProcess) -> None:
    with httpx.Client(trust_env=False) as client, pytest.raises(httpx.TransportError):
        client.get(server.url.replace("https", "http") + "/healthz")


def test_with_client_certificates_asked_for_a_key_alone_does_not_connect(
    authority: trustme.CA, tmp_path: Path
) -> None:
    chain, key = certificate(authority, tmp_path, "server", "127.0.0.1")
    clients = trustme.CA()
    clients.cert_pem.write_to_path(str(tmp_path / "clients.pem"))
    trusted = tmp_path / "authority.pem"
    authority.cert_pem.write_to_path(str(trusted))
    own, own_key = certificate(clients, tmp_path, "machine", "grader-07.plateau.example")
    flags = ("--tls-certificate", chain, "--tls-key", key, "--tls-client-ca", str(tmp_path / "clients.pem"))
    with as_process(migrated_sqlite(tmp_path), *flags) as running:
        asked = Request(method="GET", path="/v1/streams/019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11")
        with_own = HttpTransport(
            running.url,
            key=lambda: running.tokens["device"],
            ca_file=trusted,
            certificate_file=Path(own),
            certificate_key_file=Path(own_key),
        )
        without = HttpTransport(running.url, key=lambda: running.tokens["device"], ca_file=trusted)
        assert isinstance(with_own.send(asked), Reply)
        assert isinstance(without.send(asked), NoAnswer)
        with_own.close()
        without.close()


def test_a_renewed_certificate_is_taken_up_without_a_restart_and_a_broken_one_is_left(
    authority: trustme.CA, tmp_path: Path
) -> None:
    chain, key = certificate(authority, tmp_path, "server", "127.0.0.1")

    def shown() -> bytes | None:
        with (
            socket.create_connection(("127.0.0.1", running.port), timeout=10) as plain,
            trusting(authority).wrap_socket(plain, server_hostname="127.0.0.1") as wrapped,
        ):
            return wrapped.getpeercert(binary_form=True)

    with as_process(migrated_sqlite(tmp_path), "--tls-certificate", chain, "--tls-key", key) as running:
        before = shown()
        certificate(authority, tmp_path, "server", "127.0.0.1")
        os.kill(running.pid, signal.SIGHUP)
        wait_until(lambda: shown() != before, "the renewed certificate is shown")
        renewed = shown()
        Path(chain).write_text("no certificate")
        os.kill(running.pid, signal.SIGHUP)
        wait_until(lambda: "ingest.certificate_refused" in running.log(), "the broken one is refused")
        assert shown() == renewed


# ---------------------------------------------------------------- in the clear


def test_keys_do_not_cross_a_network_in_the_clear_by_mistake(tmp_path: Path) -> None:
    """192.0.2.1 is a documentation address (RFC 5737): it is refused before anything is listened on."""
    command = [sys.executable, "-m", "cleanside.ingest", "serve", "--port", "0", "--host", "192.0.2.1"]
    command += ["--database", migrated_sqlite(tmp_path)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 2
    assert "in the clear" in ended.stderr
    assert "--behind-proxy" in ended.stderr


@pytest.mark.parametrize(
    ("address", "encrypted", "behind_proxy", "is_refused"),
    [
        ("127.0.0.1", False, False, False),
        ("127.8.0.1", False, False, False),
        ("::1", False, False, False),
        ("0.0.0.0", False, False, True),
        ("::", False, False, True),
        ("192.0.2.1", False, False, True),
        ("fe80::1%eth0", False, False, True),
        ("192.0.2.1", True, False, False),
        ("192.0.2.1", False, True, False),
    ],
)
def test_beyond_loopback_there_is_tls_or_a_proxy_that_has_it(
    address: str, encrypted: bool, behind_proxy: bool, is_refused: bool
) -> None:
    if is_refused:
        with refused(CalledWrongly, "keys_in_the_clear", address=address):
            refuse_in_the_clear(address, encrypted=encrypted, behind_proxy=behind_proxy)
    else:
        refuse_in_the_clear(address, encrypted=encrypted, behind_proxy=behind_proxy)


@pytest.mark.parametrize("given", [{"tls_certificate": "/nowhere/server.pem"}, {"tls_key": "/nowhere/s.key"}])
def test_certificates_that_do_not_fit_are_called_wrongly(given: dict[str, Any]) -> None:
    code = "tls_file_unreadable" if "tls_certificate" in given else "tls_certificate_missing"
    with refused(CalledWrongly, code):
        context(Settings(**given))


# ---------------------------------------------------------------- proxies


@pytest.mark.parametrize("trusted", [False, True])
def test_a_proxys_word_is_taken_only_where_the_settings_name_it(tmp_path: Path, trusted: bool) -> None:
    """Whoever may say where it comes from has new tries for each address it invents."""
    flags = ["--address-tries-per-minute", "5", *(["--trusted-proxies", "127.0.0.1"] if trusted else [])]
    with as_process(migrated_sqlite(tmp_path), *flags) as running, running.client(None) as client:
        answers = [
            client.get(
                "/v1/machines",
                headers=bearer("k0000000.guess") | {"X-Forwarded-For": f"192.0.2.{number}"},
            ).status_code
            for number in range(1, 8)
        ]
    assert answers.count(429) == (0 if trusted else 2)
