"""
Texts encrypted for one place: a text sealed for one row does not open in another.

Promises: AES-256-GCM (NIST SP 800-38D) with the place as associated data. A sealed text names its key by
eight hex digits of the key's SHA-256, so that an error can name a missing key; these say nothing of a random
key.
Leaves to others: where keys come from (`ingest.store.key_file`), which texts are sealed
(`ingest.store.webhook_secrets`).
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field

from cleanside.ingest.errors import CannotOpen

KEY_BYTES = 32
NONCE_BYTES = 12  # random; SP 800-38D section 8.3 allows 2**32 texts a key, an owner has twenty
VERSION = "1"


@dataclass(frozen=True, slots=True)
class SealingKey:
    """One key. secret : 32 random bytes."""

    secret: bytes = field(repr=False)

    @property
    def id(self) -> str:
        """The name of the key in sealed texts."""
        return hashlib.sha256(self.secret).hexdigest()[:8]


def new_key() -> SealingKey:
    """A key from the system's randomness."""
    return SealingKey(secrets.token_bytes(KEY_BYTES))


def seal(keys: Sequence[SealingKey], text: str, place: str) -> str:
    """Encrypt a text for a place with the first key. keys : one at least."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM  # here: most servers never need it

    nonce = secrets.token_bytes(NONCE_BYTES)
    made = nonce + AESGCM(keys[0].secret).encrypt(nonce, text.encode(), place.encode())
    return f"{VERSION}:{keys[0].id}:{base64.b64encode(made).decode()}"


def key_of(sealed: str) -> str:
    """The name of the key that sealed a text."""
    return sealed.split(":")[1] if sealed.count(":") == 2 else ""


def open_sealed(keys: Sequence[SealingKey], sealed: str, place: str) -> str:
    """Decrypt a text. Raises CannotOpen where its key is missing, or where it was altered or moved."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    key = next((one for one in keys if one.id == key_of(sealed)), None)
    if key is None:
        raise CannotOpen("sealed_with_another_key", code="key_missing", key=key_of(sealed) or "?")
    try:
        version, _, encoded = sealed.split(":")
        made = base64.b64decode(encoded, validate=True)
        if version != VERSION:
            raise ValueError(f"version {version}")
        opened = AESGCM(key.secret).decrypt(made[:NONCE_BYTES], made[NONCE_BYTES:], place.encode())
    except (InvalidTag, ValueError) as error:
        raise CannotOpen("sealed_altered", code="altered") from error
    return opened.decode()
