"""
The command `label`: what is printed and stuck on the gateway, so that a phone can open its page.

Promises: the code is made if there is none, and goes to standard output or the file that is named, nowhere
else. The QR code (ISO/IEC 18004) holds the address with the code: a phone's own camera opens it.
Leaves to others: the page itself (`gateway.beside`).
"""

from __future__ import annotations

import ipaddress
import os
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from cleanside.gateway.beside.label_code import code_of
from cleanside.gateway.beside.serving import BEYOND, shown
from cleanside.gateway.errors import CalledWrongly, why
from cleanside.gateway.file_modes import new_file
from cleanside.gateway.install_command import command_for
from cleanside.gateway.settings import Settings
from cleanside.gateway.spool.identity import RandomBytes

_BORDER: Final = 4  # modules of quiet zone (ISO/IEC 18004 section 6.3.8)
_SCALE: Final = 8  # pixels a module (chosen)


def address_on_label(settings: Settings) -> str:
    """Where a phone finds the page. Raises CalledWrongly where the settings do not say."""
    if settings.beside_listen is None:
        raise CalledWrongly("beside_off")
    if settings.beside_address is not None:
        return settings.beside_address.rstrip("/")
    host = ipaddress.ip_address(settings.beside_listen[0])
    if host.is_unspecified or not settings.beside_listen[1]:
        raise CalledWrongly("beside_address_missing", listen=shown(settings.beside_listen))
    return f"http://{shown(settings.beside_listen)}"


def label_text(settings: Settings, *, random: RandomBytes) -> str:
    """The label for a terminal: device, address, code, and a QR code where segno is installed."""
    address, code = address_on_label(settings), code_of(settings.code_file, random=random)
    lines = [f"monitor  {settings.device}", f"address  {address}", f"code     {code}"]
    try:
        lines += ["", _qr_text(_opened_by(address, code))]
    except ImportError:
        lines += [f"(a QR code needs segno: {command_for('label')})"]
    return "\n".join(lines)


def notices(settings: Settings) -> list[str]:
    """What the person who prints it should know."""
    if settings.beside_listen is None or ipaddress.ip_address(settings.beside_listen[0]).is_loopback:
        return []
    return [f"beside.listen {shown(settings.beside_listen)}: {BEYOND}"]


def write_qr(settings: Settings, path: Path, *, random: RandomBytes) -> None:
    """Write the QR code to a new file, SVG or PNG by its name. Raises CalledWrongly."""
    kind = path.suffix.lower().removeprefix(".")
    if kind not in ("svg", "png"):
        raise CalledWrongly("label_kind_unknown", path=path)
    opened_by = _opened_by(address_on_label(settings), code_of(settings.code_file, random=random))
    try:
        code = _qr(opened_by)
    except ImportError:
        raise CalledWrongly("package_missing_label") from None
    try:
        with os.fdopen(new_file(path), "wb") as file:
            code.save(file, kind=kind, scale=_SCALE, border=_BORDER)
    except OSError as error:
        raise CalledWrongly("label_not_written", path=path, why=why(error)) from error


def _opened_by(address: str, code: str) -> str:
    return f"{address}/?code={quote(code)}"


def _qr(text: str) -> Any:
    import segno

    return segno.make_qr(text, error="m")


def _qr_text(text: str) -> str:
    """The code in half blocks: two rows of modules a line."""
    rows = [list(row) for row in _qr(text).matrix_iter(border=_BORDER)]
    rows += [[0] * len(rows[0])] * (len(rows) % 2)
    blocks = {(0, 0): "\u2588", (0, 1): "\u2580", (1, 0): "\u2584", (1, 1): " "}  # light on a dark terminal
    return "\n".join(
        "".join(blocks[bool(upper), bool(lower)] for upper, lower in zip(*pair, strict=True))
        for pair in zip(rows[::2], rows[1::2], strict=True)
    )
