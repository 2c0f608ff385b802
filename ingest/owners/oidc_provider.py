"""
Asking an OpenID provider: what it is, its keys, and a token for a code.

Promises: https alone, but for loopback; no redirect is followed, no proxy of the environment used; an answer
has at most `MOST_ANSWER_BYTES`, and all of it `WAIT_S`. What the provider says of itself is asked again after
`REMEMBERED_US`; its keys at once where a token names one that is not among them.
Leaves to others: whether a token holds (`oidc`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

import httpx

from cleanside.gateway.this_machine import is_loopback
from cleanside.ingest.errors import CalledWrongly, TryAgain, why
from cleanside.ingest.owners.oidc import OidcClient, OidcTry, key_id_of, refused, subject_of

MOST_ANSWER_BYTES = 200_000
WAIT_S = 10.0  # chosen: a person looks at an empty page meanwhile
REMEMBERED_US = 3_600_000_000
_ENDPOINTS = ("authorization_endpoint", "token_endpoint", "jwks_uri")


def is_usable(address: str) -> bool:
    """True for https, and for http to this machine itself."""
    parts = urlsplit(address)
    if parts.scheme == "https":
        return bool(parts.hostname)
    return parts.scheme == "http" and is_loopback(parts.hostname or "")


def provider_of(
    *, issuer: str, client_id: str, secret_file: str, name: str, now_us: Callable[[], int]
) -> OidcProvider | None:
    """The provider of the settings `oidc_...`; None: none is set. Raises CalledWrongly."""
    if not issuer:
        return None
    if not is_usable(issuer):
        raise CalledWrongly("oidc_issuer_unusable", issuer=issuer)
    if not client_id:
        raise CalledWrongly("oidc_incomplete")
    shown = name or urlsplit(issuer).hostname or issuer
    secret = _secret_in(secret_file)
    return OidcProvider(OidcClient(issuer=issuer, client_id=client_id, secret=secret, name=shown), now_us)


def _secret_in(file: str) -> str | None:
    """The one line of a file; None: no file is named. Raises CalledWrongly."""
    if not file:
        return None
    try:
        lines = Path(file).read_text(encoding="utf-8").split()
    except (OSError, UnicodeError) as error:
        raise CalledWrongly("oidc_secret_unreadable", file=file, why=why(error)) from error
    if len(lines) != 1:
        raise CalledWrongly("oidc_secret_unreadable", file=file, why=f"it has {len(lines)} words, not one")
    return lines[0]


class OidcProvider:
    """One provider, for the life of a server."""

    def __init__(self, client: OidcClient, now_us: Callable[[], int]) -> None:
        self.client = client
        self._now_us = now_us
        self._metadata: tuple[int, Mapping[str, Any]] | None = None
        self._keys: Mapping[str, Any] = {}

    async def metadata(self) -> Mapping[str, Any]:
        """What it says of itself (OpenID Connect Discovery 1.0). Raises TryAgain, Refused."""
        if self._metadata is not None and self._now_us() - self._metadata[0] < REMEMBERED_US:
            return self._metadata[1]
        issuer = self.client.issuer
        found = await self._asked("GET", f"{issuer.rstrip('/')}/.well-known/openid-configuration")
        if found.get("issuer") != issuer:
            raise refused("the provider is not the one that the settings name")
        if not all(is_usable(str(found.get(name, ""))) for name in _ENDPOINTS):
            raise refused("the provider's addresses are not https")
        self._metadata, self._keys = (self._now_us(), found), {}
        return found

    async def subject(self, code: str, begun: OidcTry, redirect_uri: str) -> str:
        """Whose identity a code stands for. Raises Refused (403), TryAgain."""
        token = await self._token(code, begun.verifier, redirect_uri)
        keys = await self._keys_with(key_id_of(token))
        now_s = self._now_us() / 1e6
        return subject_of(token, keys, self.client, nonce=begun.nonce, now_s=now_s)

    async def _token(self, code: str, verifier: str, redirect_uri: str) -> str:
        metadata = await self.metadata()
        form = {"grant_type": "authorization_code", "code": code, "redirect_uri": redirect_uri}
        form |= {"code_verifier": verifier, "client_id": self.client.client_id}
        secret = self.client.secret
        # RFC 6749 section 2.3.1: both are encoded as in a form.
        auth = None if secret is None else (quote(self.client.client_id, ""), quote(secret, ""))
        answer = await self._asked("POST", metadata["token_endpoint"], data=form, auth=auth)
        token = answer.get("id_token")
        if not isinstance(token, str):
            raise refused("the provider sent no token")
        return token

    async def _keys_with(self, key_id: str | None) -> Mapping[str, Any]:
        if not self._keys or not _has(self._keys, key_id):
            self._keys = await self._asked("GET", (await self.metadata())["jwks_uri"])
        return self._keys

    async def _asked(self, method: str, address: str, **more: Any) -> dict[str, Any]:
        """A JSON object. Raises Refused where the provider refuses, TryAgain where it is away."""
        try:
            async with (
                httpx.AsyncClient(timeout=WAIT_S, trust_env=False, follow_redirects=False) as http,
                http.stream(method, address, headers={"Accept": "application/json"}, **more) as answer,
            ):
                body = b""
                async for piece in answer.aiter_bytes():
                    body += piece
                    if len(body) > MOST_ANSWER_BYTES:
                        raise refused("the provider's answer is too large")
        except httpx.HTTPError as error:
            raise TryAgain("oidc_away", retry_after_s=30, why=type(error).__name__) from error
        if answer.status_code >= 500:
            raise TryAgain("oidc_away", retry_after_s=30, why=f"status {answer.status_code}")
        return _object(body) if answer.status_code == 200 else _refusal(answer.status_code)


def _refusal(status: int) -> dict[str, Any]:
    raise refused(f"the provider answered with status {status}")


def _object(body: bytes) -> dict[str, Any]:
    try:
        found = json.loads(body)
    except ValueError:
        found = None
    if not isinstance(found, dict):
        raise refused("the provider's answer is no JSON object")
    return found


def _has(keys: Mapping[str, Any], key_id: str | None) -> bool:
    listed = keys.get("keys")
    named = [k.get("kid") for k in listed if isinstance(k, dict)] if isinstance(listed, list) else []
    return key_id in named if key_id is not None else bool(named)
