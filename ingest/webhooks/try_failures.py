"""What an error on the way to a receiver is, as a code with values. Pure."""

from __future__ import annotations

import socket
import ssl

import httpx

from cleanside.ingest.errors import AddressRefused, first_kind, why
from cleanside.ingest.store.coded_failures import DETAIL
from cleanside.ingest.store.delivery_failures import SENTENCES, Failure
from cleanside.ingest.webhooks.addresses import without_address

#: kinds of errors, the most telling first: one stands behind another
CODES: tuple[tuple[type[BaseException], str], ...] = (
    (socket.gaierror, "name_not_found"),
    (ssl.SSLCertVerificationError, "certificate"),
    (httpx.ConnectError, "no_connection"),
    (httpx.TransportError, "broken_off"),
)


def failure_of(error: Exception, url: str) -> Failure:
    """Why sending to an address failed; of the address itself nothing that may be a token."""
    if isinstance(error, AddressRefused):
        return _of_address(error)
    detail = without_address(why(error), url)[:DETAIL]
    return Failure(first_kind(error, CODES) or "not_sent", {"detail": detail})


def _of_address(refused: AddressRefused) -> Failure:
    if refused.code in SENTENCES:
        return Failure(refused.code, dict(refused.values))
    return Failure("address_refused", {"why": str(refused)[:DETAIL]})
