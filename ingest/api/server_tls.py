"""
TLS of the server: on with a certificate, TLS 1.2 at least, client certificates if the settings ask for them.

Promises: keys never cross a network in the clear by mistake: without a certificate the server listens on
loopback alone, unless a setting says that TLS ends in a proxy before it. A renewed certificate is loaded on
SIGHUP, without a restart; one that does not fit is refused and the old one stays.
Leaves to others: listening (`ingest.commands.serve`), where certificates come from.
"""

from __future__ import annotations

import ipaddress
import logging
import ssl
from pathlib import Path

from cleanside.ingest.errors import CalledWrongly, denied_uid, why
from cleanside.ingest.settings import Settings

log = logging.getLogger("cleanside.ingest")
_KEY = b"PRIVATE KEY-----"  # in the first line of any key in PEM form (RFC 7468 sections 10 and 11)


def context(settings: Settings) -> ssl.SSLContext | None:
    """
    The TLS context of connections; None: plain HTTP.

    RFC 9325 section 3.1.1: TLS 1.2 at least. Raises CalledWrongly for files that do not fit.
    """
    if not settings.tls_certificate:
        if settings.tls_key or settings.tls_client_ca:
            raise CalledWrongly("tls_certificate_missing")
        return None
    for name in ("tls_certificate", "tls_key", "tls_client_ca"):
        _check_readable(name, getattr(settings, name))
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.minimum_version = ssl.TLSVersion.TLSv1_2
    load(made, settings)
    _warn_of_readable(Path(settings.tls_key or settings.tls_certificate))
    if settings.tls_client_ca:
        try:
            made.load_verify_locations(settings.tls_client_ca)
        except OSError as error:
            raise CalledWrongly("tls_client_ca_empty", file=settings.tls_client_ca, why=why(error)) from error
        made.verify_mode = ssl.CERT_REQUIRED
    return made


def load(made: ssl.SSLContext, settings: Settings) -> None:
    """Take the certificate and its key into a context. Raises CalledWrongly for files that do not fit."""
    try:
        made.load_cert_chain(settings.tls_certificate, settings.tls_key or None)
    except OSError as error:
        if not settings.tls_key and _KEY not in Path(settings.tls_certificate).read_bytes():
            raise CalledWrongly("tls_key_missing", file=settings.tls_certificate) from error
        raise CalledWrongly(
            "tls_certificate_unusable", file=settings.tls_certificate, why=why(error)
        ) from error


def _warn_of_readable(file: Path) -> None:
    """A warning only: its group may be meant to read it, and readings matter more."""
    if file.stat().st_mode & 0o007:
        reason = "others can read the private key; chmod 600 it, owned by the server's user"
        log.warning("ingest.tls_key_readable", extra={"file": str(file), "reason": reason})


def _check_readable(name: str, file: str) -> None:
    # OpenSSL does not report which of several files is missing.
    if not file:
        return
    try:
        Path(file).open("rb").close()
    except OSError as error:
        raise CalledWrongly(
            "tls_file_unreadable", name=name, file=file, why=why(error), denied_uid=denied_uid(error)
        ) from error


def load_again(made: ssl.SSLContext, settings: Settings) -> None:
    """Load a renewed certificate for new connections. One that does not fit is refused."""
    try:
        load(
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), settings
        )  # load into a new context first: a key that does not fit must change nothing
        load(made, settings)
    except CalledWrongly as error:
        log.error("ingest.certificate_refused", extra={"reason": str(error)})
    else:
        log.warning("ingest.certificate_loaded", extra={"path": settings.tls_certificate})


def refuse_in_the_clear(address: str, *, encrypted: bool, behind_proxy: bool) -> None:
    """Raise CalledWrongly where keys and readings would cross a network in the clear. Pure."""
    if encrypted or behind_proxy or ipaddress.ip_address(address.partition("%")[0]).is_loopback:
        return
    raise CalledWrongly("keys_in_the_clear", address=address)
