"""
TLS: always verified; with our own certificates where the settings name them.

Promises: the other side's certificate and name are checked against the system's authorities, or only against
those of a file. TLS 1.2 at least (RFC 9325 section 3.1.1).
Leaves to others: the traffic (`gateway.uplink.transport`, `gateway.sources`).
"""

from __future__ import annotations

import ssl
from pathlib import Path

from cleanside.gateway.errors import SettingsWrong, why


def verified(
    *, ca_file: Path | None, certificate_file: Path | None, certificate_key_file: Path | None, where: str
) -> ssl.SSLContext:
    """
    A context that verifies the server.

    ca_file : authorities to trust; None: the system's. certificate_file, certificate_key_file : our own
    certificate, shown where the other side asks for one. where : the setting of the files, for errors.
    Raises SettingsWrong for files that cannot be used.
    """
    if certificate_key_file is not None and certificate_file is None:
        raise SettingsWrong("certificate_missing", where=where)
    files = {
        "ca_file": ca_file,
        "certificate_file": certificate_file,
        "certificate_key_file": certificate_key_file,
    }
    for name, file in files.items():
        _check_readable(file, f"{where}: {name}")
    try:
        context = ssl.create_default_context(cafile=ca_file)
    except OSError as error:
        raise SettingsWrong("ca_file_empty", where=where, ca_file=ca_file, why=why(error)) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        if certificate_file is not None:
            context.load_cert_chain(certificate_file, certificate_key_file)
    except OSError as error:
        raise SettingsWrong(
            "certificate_unusable", where=where, certificate_file=certificate_file, why=why(error)
        ) from error
    return context


def _check_readable(file: Path | None, what: str) -> None:
    # OpenSSL does not report which of several files is missing.
    if file is None:
        return
    try:
        file.open("rb").close()
    except OSError as error:
        raise SettingsWrong("certificate_unreadable", what=what, file=file, why=why(error)) from error
