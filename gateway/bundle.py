"""
A backlog carried as a file: batches of the contract in blocks; any alteration shows.

    header line, JSON:  {"cleanside_bundle": 1, "device": "...", "block": "zstd", "mac": "hmac-sha-256",
                         "key": handle of the device's key; older programs left it out}
    block:              length (4 bytes, big endian), a batch as the wire has it (zstd), MAC (32 bytes)
    last block:         length 0, MAC

Promises: each MAC covers all blocks before it, so a block that is changed, left out or moved is found, and
everything before it is good. A bundle without its last block was cut short. Blocks are written in order and
synced, so an interrupted export can be resumed.
Leaves to others: batches (`gateway.wire`), the import.

Both sides can compute the MAC's key: the machine has its key, the server only the SHA-256 of the key's secret
part. HMAC: RFC 2104. Compression: RFC 8878.
Both sides import this file: it is part of the contract, as `gateway.wire` is.
"""

from __future__ import annotations

import hashlib
import hmac
import itertools
import json
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Final

from cleanside.gateway.wire import (
    MAX_DECODED_BYTES,
    MAX_NAME_LENGTH,
    Coded,
    Sentences,
    Values,
    is_name,
    zstd,
)

BUNDLE_VERSION: Final = 1
MAX_BLOCK_BYTES: Final = 2**20  # as the contract's limit for a body
_MAC_BYTES: Final = 32
_MAX_HEADER_BYTES: Final = 4096


def _said(what: str) -> Callable[[Values], str]:
    """The sentence about a block; nothing stands before the first one."""

    def of_block(values: Values) -> str:
        said = f"block {values['block']} {what.format(**values)}"
        return said if values["block"] == 1 else f"{said}; what stands before it is good"

    return of_block


#: why a block is bad -> sentence
_SENTENCES: Sentences = {
    code: _said(what)
    for code, what in {
        "version_unknown": "has version {version!r}; this program reads {known}",
        "not_a_bundle": "cannot be reached: the first line is not that of a bundle",
        "of_another_device": "belongs to {belongs_to}, not to {device}: give another file",
        "of_another_key": "was made with key {made_with}, the device has key {key} now: give another file",
        "altered": "was altered, or made with another key",
        "not_unpacked": "does not unpack ({why})",
        "unpacks_too_large": "unpacks to more than {most} bytes",
        "missing": "is missing or cut short",
        "too_large": "is larger than any may be",
        "cut_short": "is cut short",
    }.items()
}


class BundleBroken(Coded):
    """The file is bad from this block on. The blocks before it are good."""

    SENTENCES = _SENTENCES

    def __init__(self, code: str, /, *, block: int, **values: Any) -> None:
        self.block = block
        super().__init__(code, block=block, **values)

    @property
    def is_altered(self) -> bool:
        """The MAC of the block does not fit."""
        return self.code == "altered"


def mac_secret(key: str) -> bytes:
    """
    The secret that both sides have: the SHA-256 of the part of a device's key behind the dot.

    Raises ValueError for what is no key.
    """
    handle, _, secret = key.partition(".")
    if not handle or not secret:
        raise ValueError("this is not a key as the server gives it, handle.secret; check uplink.key_file")
    return hashlib.sha256(secret.encode()).digest()


def handle_of(key: str) -> str:
    """The part of a key before the dot. It names the key and is no secret."""
    return key.partition(".")[0]


@dataclass(frozen=True, kw_only=True, slots=True)
class Header:
    """The owner of the bundle. The server checks it before it reads any block."""

    device: str
    #: handle of the key that made the bundle, as stated in it; None: not stated
    key: str | None = None
    #: the line as in the file: the first MAC covers it
    line: bytes


def header_line(device: str, key: str | None = None) -> bytes:
    """The first line of a bundle. key : handle of the device's key; None: left out."""
    header = {"cleanside_bundle": BUNDLE_VERSION, "device": device, "block": "zstd", "mac": "hmac-sha-256"}
    if key is not None:
        header["key"] = key
    return json.dumps(header).encode() + b"\n"


def read_header(file: BinaryIO) -> Header:
    """Read the first line. Raises BundleBroken if the file is no bundle, or one of a later version."""
    line = file.readline(_MAX_HEADER_BYTES)
    try:
        header: Any = json.loads(line)
        version, device = header["cleanside_bundle"], header["device"]
        if version != BUNDLE_VERSION or (header["block"], header["mac"]) != ("zstd", "hmac-sha-256"):
            raise BundleBroken("version_unknown", block=1, version=version, known=BUNDLE_VERSION)
        key = header.get("key")
        if not (isinstance(device, str) and is_name(device)) or not (
            key is None or (_is_short(key) and key.isascii() and key.isalnum())
        ):
            raise ValueError
    except (ValueError, KeyError, TypeError, RecursionError):
        raise BundleBroken("not_a_bundle", block=1) from None
    return Header(device=device, key=key, line=line)


def _is_short(value: Any) -> bool:
    return isinstance(value, str) and 0 < len(value) <= MAX_NAME_LENGTH


class _Chain:
    """The MAC of each block, over its content and the MAC before it."""

    def __init__(self, secret: bytes, header: Header) -> None:
        self._key = hmac.digest(secret, b"cleanside bundle 1", "sha256")
        self.before = hmac.digest(self._key, header.line, "sha256")

    def mac(self, content: bytes) -> bytes:
        """The MAC of the next block."""
        return hmac.digest(self._key, self.before + content, "sha256")


class BlockReader:
    """
    The blocks of a bundle in order, each body as `wire.decode` takes it.

    The first block shows which of several secrets made it: call `is_made_with` before iterating.
    Iterating raises BundleBroken at the first block that is altered, cut short or not made with that secret,
    and at the end of a bundle that lacks its last block.
    """

    def __init__(self, file: BinaryIO, header: Header) -> None:
        """file : behind its header. Raises BundleBroken where not even the first block is whole."""
        self._file = file
        self._header = header
        self._first = _read_block(file, 1)
        self._chain: _Chain | None = None

    def is_made_with(self, secret: bytes) -> bool:
        """True if `secret` made the first block; all further blocks are then checked with it."""
        chain = _Chain(secret, self._header)
        content, mac = self._first
        if hmac.compare_digest(mac, chain.mac(content)):
            self._chain = chain
        return self._chain is not None

    def __iter__(self) -> Iterator[bytes]:
        if self._chain is None:
            raise BundleBroken("altered", block=1)
        return _bodies(self._file, self._chain, self._first)


def _bodies(file: BinaryIO, chain: _Chain, first: tuple[bytes, bytes] | None = None) -> Iterator[bytes]:
    """The bodies up to the last block, checked with `chain`. first : block 1, where it was read already."""
    for block in itertools.count(1):
        content, mac = first if first is not None else _read_block(file, block)
        first = None
        if not hmac.compare_digest(mac, chain.mac(content)):
            raise BundleBroken("altered", block=block)
        if not content:
            return
        chain.before = mac
        yield _unpacked(content, block)


def _unpacked(content: bytes, block: int) -> bytes:
    try:
        body = zstd.unpacked(content, at_most=MAX_DECODED_BYTES + 1)
    except ValueError as error:
        raise BundleBroken("not_unpacked", block=block, why=str(error)) from None
    if len(body) > MAX_DECODED_BYTES:
        raise BundleBroken("unpacks_too_large", block=block, most=MAX_DECODED_BYTES)
    return body


def _read_block(file: BinaryIO, block: int) -> tuple[bytes, bytes]:
    length = file.read(4)
    size = int.from_bytes(length, "big")
    if len(length) < 4 or size > MAX_BLOCK_BYTES:
        raise BundleBroken("missing" if len(length) < 4 else "too_large", block=block)
    content, mac = file.read(size), file.read(_MAC_BYTES)
    if len(content) < size or len(mac) < _MAC_BYTES:
        raise BundleBroken("cut_short", block=block)
    return content, mac


class BundleWriter:
    """Writes a bundle, or resumes one that was cut short or has grown old."""

    def __init__(
        self,
        path: Path,
        *,
        device: str,
        secret: bytes,
        key: str | None = None,
        seen: Callable[[bytes], object] = lambda _: None,
    ) -> None:
        """
        Open `path`. Bytes behind its last good block are removed.

        key : handle of the key that `secret` belongs to, written into the header; None: left out.
        seen : called with each body that is in it already. Raises BundleBroken if the file is not a bundle
        of this device, made with this secret: it stays unchanged.
        """
        #: blocks that were in it before
        self.kept = 0
        # Only its user may read it, whatever the umask is: it has readings.
        self._file = os.fdopen(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600), "r+b")
        try:
            header = self._begin(device, key)
            self._chain = _Chain(secret, header)
            self._go_to_the_end(seen, header, key)
        except BaseException:
            self._file.close()
            raise

    def _begin(self, device: str, key: str | None) -> Header:
        if self._file.seek(0, os.SEEK_END) == 0:
            self._file.write(header_line(device, key))
        self._file.seek(0)
        header = read_header(self._file)
        if header.device != device:
            raise BundleBroken("of_another_device", block=1, belongs_to=header.device, device=device)
        return header

    def _go_to_the_end(self, seen: Callable[[bytes], object], header: Header, key: str | None) -> None:
        end = self._file.tell()
        try:
            for body in _bodies(self._file, self._chain):
                seen(body)
                self.kept += 1
                end = self._file.tell()
        except BundleBroken as error:
            if not self.kept and error.code == "altered":
                if header.key not in (None, key):
                    raise BundleBroken("of_another_key", block=1, made_with=header.key, key=key) from None
                raise
        self._file.seek(end)
        self._file.truncate()

    def write(self, body: bytes) -> None:
        """Add a batch; it is on disk when this returns."""
        self._add(zstd.packed(body, level=9))

    def finish(self) -> None:
        """Write the last block and close the file."""
        self._add(b"")
        self._file.close()

    def close(self) -> None:
        """Close an unfinished file; it can be resumed."""
        self._file.close()

    def _add(self, content: bytes) -> None:
        mac = self._chain.mac(content)
        self._file.write(len(content).to_bytes(4, "big") + content + mac)
        self._file.flush()
        os.fsync(self._file.fileno())
        self._chain.before = mac
