"""What an error on the way to a receiver is called."""

from __future__ import annotations

import socket
import ssl

import httpx
import pytest

from cleanside.ingest.errors import AddressRefused
from cleanside.ingest.webhooks.try_failures import failure_of

URL = "https://shop.example/hook-s3cret"


def caused(error: Exception, cause: Exception) -> Exception:
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (socket.gaierror(-2, "Name or service not known"), "name_not_found"),
        (httpx.ConnectError("refused"), "no_connection"),
        (caused(httpx.ConnectError("x"), ssl.SSLCertVerificationError("verify failed")), "certificate"),
        (caused(httpx.ConnectError("x"), ssl.SSLError("wrong version number")), "no_connection"),
        (httpx.RemoteProtocolError("gone"), "broken_off"),
        (AddressRefused("address_not_public", address="10.0.0.1"), "address_not_public"),
        (AddressRefused("url_port"), "address_refused"),
        (OSError("shop.example has no address"), "not_sent"),
    ],
)
def test_an_error_has_its_code_and_a_sentence(error: Exception, code: str) -> None:
    failure = failure_of(error, URL)
    assert failure.code == code
    assert 0 < len(failure.detail) <= 200


def test_what_may_be_a_token_is_in_no_failure() -> None:
    assert "s3cret" not in failure_of(httpx.ConnectError(f"{URL}: refused" * 9), URL).detail
