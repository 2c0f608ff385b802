"""
An authenticator in software, as W3C Web Authentication level 3 sections 6.1 and 6.5 has it: ES256, no
attestation. Written from the specification, so that the library that reads it is not checked by itself alone.
"""

from __future__ import annotations

import base64
import hashlib
import json
import secrets
from typing import Any

import cbor2
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.hashes import SHA256

USER_PRESENT, USER_VERIFIED, ATTESTED = 0x01, 0x04, 0x40


def encoded(content: bytes) -> str:
    """base64url without padding."""
    return base64.urlsafe_b64encode(content).decode().rstrip("=")


class Authenticator:
    """Holds one passkey."""

    def __init__(self, origin: str, name: str, *, flags: int = USER_PRESENT | USER_VERIFIED) -> None:
        """origin, name : of the server whose page asks. flags : what it says of the person."""
        self.origin = origin
        self.name = name
        self.flags = flags
        self.id = secrets.token_bytes(32)
        self.count = 0
        self._key = ec.generate_private_key(ec.SECP256R1())

    def _client_data(self, kind: str, challenge: str) -> bytes:
        return json.dumps({"type": kind, "challenge": challenge, "origin": self.origin}).encode()

    def _data(self, flags: int, more: bytes = b"") -> bytes:
        name_hash = hashlib.sha256(self.name.encode()).digest()
        return name_hash + bytes([flags]) + self.count.to_bytes(4, "big") + more

    def make(self, options: dict[str, Any]) -> dict[str, Any]:
        """What navigator.credentials.create gives."""
        point = self._key.public_key().public_numbers()
        cose = {1: 2, 3: -7, -1: 1, -2: point.x.to_bytes(32, "big"), -3: point.y.to_bytes(32, "big")}
        attested = bytes(16) + len(self.id).to_bytes(2, "big") + self.id + cbor2.dumps(cose)
        data = self._data(self.flags | ATTESTED, attested)
        made = cbor2.dumps({"fmt": "none", "attStmt": {}, "authData": data})
        client = self._client_data("webauthn.create", options["challenge"])
        return self._credential({"clientDataJSON": client, "attestationObject": made})

    def sign(self, options: dict[str, Any]) -> dict[str, Any]:
        """What navigator.credentials.get gives."""
        self.count += 1
        data, client = self._data(self.flags), self._client_data("webauthn.get", options["challenge"])
        signature = self._key.sign(data + hashlib.sha256(client).digest(), ec.ECDSA(SHA256()))
        return self._credential({"clientDataJSON": client, "authenticatorData": data, "signature": signature})

    def _credential(self, response: dict[str, bytes]) -> dict[str, Any]:
        plain = {name: encoded(content) for name, content in response.items()}
        return {"id": encoded(self.id), "rawId": encoded(self.id), "type": "public-key", "response": plain}
