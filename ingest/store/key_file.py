"""
The file of keys for webhook secrets: the first line encrypts, all lines decrypt.

Promises: mode 0600 from its first byte; made and changed in one step (beside, fsync, rename), so that
processes that share it see the old file or the new file. A change needs no restart.
Leaves to others: encryption (`ingest.store.sealing`), and where a person keeps a copy: not with the backups.
"""

from __future__ import annotations

import base64
import binascii
import contextlib
import os
import secrets
from collections.abc import Sequence
from pathlib import Path

from cleanside.gateway import file_modes
from cleanside.ingest.errors import CalledWrongly, CannotOpen, denied_uid, why
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database
from cleanside.ingest.store.sealing import KEY_BYTES, SealingKey, new_key

HEAD = (
    "# Keys of webhook secrets (AES-256, base64). The first encrypts, the others still decrypt.\n"
    "# Keep a copy of this file, apart from the backups: without it webhooks pause.\n"
)


class KeyFile:
    """The key file of a server. Reads it again when it has changed."""

    def __init__(self, path: Path | None, *, may_make: bool) -> None:
        """path : None where the setting is needed and missing. may_make : the first use makes it (SQLite)."""
        self.path = path
        self._may_make = may_make
        self._seen: tuple[int, int, int] | None = None
        self._keys: tuple[SealingKey, ...] = ()

    @classmethod
    def of(cls, settings: Settings) -> KeyFile:
        """The file of the settings, else one beside a SQLite file, else none."""
        sqlite = database.sqlite_path(settings.database)
        beside = None if sqlite is None else sqlite.with_name(f"{sqlite.name}.webhook-key")
        path = Path(settings.webhook_key_file) if settings.webhook_key_file else beside
        return cls(path, may_make=sqlite is not None)

    def read(self) -> tuple[SealingKey, ...]:
        """The keys. Raises CannotOpen where there is no file of them; the message has the next step."""
        if self.path is None:
            raise CannotOpen("webhook_key_unset", code="key_missing")
        try:
            state = self.path.stat()
            seen = (state.st_ino, state.st_mtime_ns, state.st_size)
            if seen != self._seen:
                self._keys, self._seen = parse(self.path.read_text("utf-8")), seen
        except FileNotFoundError:
            raise CannotOpen("webhook_key_missing", code="key_missing", path=self.path) from None
        except (OSError, ValueError) as error:
            raise CannotOpen(
                "webhook_key_unreadable",
                code="key_unreadable",
                path=self.path,
                why=why(error),
                denied_uid=denied_uid(error),
            ) from None
        return self._keys

    def read_or_make(self, *, needed: bool) -> tuple[SealingKey, ...]:
        """
        The keys; where there is no file yet, a new one with one key.

        needed : something is encrypted already, so a new key would hide that the old one is missing.
        """
        if self._may_make and not needed and self.path is not None and not self.path.exists():
            make(self.path)
        return self.read()

    @property
    def makes_itself(self) -> bool:
        """True where the first use makes the file: on SQLite, as long as it is not there."""
        return self._may_make and self.path is not None and not self.path.exists()

    @property
    def is_readable_by_others(self) -> bool:
        """True where its mode lets others read it."""
        with contextlib.suppress(OSError):
            return self.path is not None and bool(self.path.stat().st_mode & 0o077)
        return False


def parse(text: str) -> tuple[SealingKey, ...]:
    """The keys of a file. Raises ValueError without showing what it holds."""
    parsed = []
    for number, line in enumerate(text.splitlines(), 1):
        if line.strip() and not line.startswith("#"):
            try:
                secret = base64.b64decode(line.strip(), validate=True)
            except binascii.Error:
                raise ValueError(f"line {number} is not base64") from None
            if len(secret) != KEY_BYTES:
                raise ValueError(f"line {number} has {len(secret)} bytes, a key has {KEY_BYTES}")
            parsed.append(SealingKey(secret))
    if not parsed:
        raise ValueError("it holds no key")
    return tuple(parsed)


def make(path: Path) -> None:
    """Make the file with one key, unless another process was first. Raises CannotOpen."""
    with contextlib.suppress(FileExistsError):
        _put(path, [new_key()], over=False)


def write(path: Path, keys: Sequence[SealingKey]) -> None:
    """Put keys in place of those in the file. Raises CannotOpen where it cannot be written."""
    _put(path, keys, over=True)


def create(path: Path) -> None:
    """Make the file. Raises CalledWrongly where it is there already."""
    try:
        _put(path, [new_key()], over=False)
    except FileExistsError:
        raise CalledWrongly("key_file_exists", path=path) from None


def _put(path: Path, keys: Sequence[SealingKey], *, over: bool) -> None:
    lines = [base64.b64encode(key.secret).decode() + "\n" for key in keys]
    aside = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        handle = file_modes.new_file(aside)
        try:
            with os.fdopen(handle, "w") as file:
                file.write(HEAD + "".join(lines))
                file.flush()
                os.fsync(file.fileno())
            if over:
                _give_to_its_owner(aside, path)
                aside.rename(path)
            else:
                os.link(aside, path)  # fails where it exists: of two processes at once one wins
        finally:
            aside.unlink(missing_ok=True)
        file_modes.sync_folder(path.parent)
    except FileExistsError:
        raise
    except OSError as error:
        raise CannotOpen(
            "webhook_key_not_made", code="key_unreadable", path=path, why=why(error), uid=os.getuid()
        ) from error


def _give_to_its_owner(aside: Path, path: Path) -> None:
    """A command run by root must not take the file from the server's user."""
    with contextlib.suppress(OSError):
        state = path.stat()
        os.chown(aside, state.st_uid, state.st_gid)
