"""
A small OpenID provider on loopback: a real server, which signs in whoever comes as its `subject`.

It keeps the code flow with PKCE (RFC 6749, RFC 7636, OpenID Connect Core 1.0), and can be made to go wrong:
`claims` are put over those of a token, `forge` makes the token itself.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import json
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any
from urllib.parse import parse_qs, unquote, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

CLIENT, SECRET = "cleanside-of-the-plateau", "a-secret:with/signs%"


@functools.cache
def _key_of_today() -> RSAKey:
    """One for all providers: to find its primes takes 100 ms of processor."""
    return RSAKey.generate_key(2048, {"kid": "of-today", "use": "sig"})


@dataclass
class OpenIdProvider:
    """Runs inside `with`; its state may be changed at any time."""

    subject: str = "248289761001"
    #: over those of a token; None takes a claim away
    claims: dict[str, Any] = field(default_factory=dict)
    #: (claims, key) -> token; None: signed with RS256
    forge: Callable[[dict[str, Any], RSAKey], str] | None = None
    #: the issuer that the answer names (RFC 9207); None: none
    answered_issuer: str | None = "own"
    now_s: Callable[[], float] = time.time

    def __enter__(self) -> OpenIdProvider:
        self.key = _key_of_today()
        self.codes: dict[str, dict[str, str]] = {}
        self.asked: list[str] = []
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                provider._get(self)

            def do_POST(self) -> None:
                provider._token(self)

            def log_message(self, *_: object) -> None:
                """Quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.issuer = f"http://127.0.0.1:{self._server.server_port}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()

    def approve(self, address: str) -> str:
        """What the browser of somebody who signs in at the provider is sent back to."""
        asked = {name: values[0] for name, values in parse_qs(urlsplit(address).query).items()}
        assert asked["response_type"] == "code"
        assert asked["code_challenge_method"] == "S256"
        code = f"code-{len(self.codes)}"
        self.codes[code] = asked
        back = {"code": code, "state": asked["state"]}
        if self.answered_issuer is not None:
            back["iss"] = self.issuer if self.answered_issuer == "own" else self.answered_issuer
        return f"{asked['redirect_uri']}?{urlencode(back)}"

    def _get(self, request: BaseHTTPRequestHandler) -> None:
        self.asked.append(request.path)
        if request.path == "/.well-known/openid-configuration":
            self._answer(request, 200, self._metadata())
        elif request.path == "/keys":
            self._answer(request, 200, {"keys": [self.key.as_dict(private=False)]})
        else:
            self._answer(request, 404, {})

    def _metadata(self) -> dict[str, Any]:
        return {
            "issuer": self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
            "authorization_response_iss_parameter_supported": True,
        }

    def _token(self, request: BaseHTTPRequestHandler) -> None:
        self.asked.append(request.path)
        body = request.rfile.read(int(request.headers["Content-Length"])).decode()
        form = {name: values[0] for name, values in parse_qs(body).items()}
        asked = self.codes.pop(form.get("code", ""), None)  # a code is used once
        if asked is None or not self._fits(request, form, asked):
            self._answer(request, 400, {"error": "invalid_grant"})
            return
        claims = self._claims_of(asked)
        make = self.forge or _signed
        self._answer(request, 200, {"id_token": make(claims, self.key), "token_type": "Bearer"})

    def _fits(
        self, request: BaseHTTPRequestHandler, form: Mapping[str, str], asked: Mapping[str, str]
    ) -> bool:
        basic = base64.b64decode(request.headers.get("Authorization", "").removeprefix("Basic "))
        client = [unquote(part) for part in basic.decode().split(":")]
        digest = hashlib.sha256(form["code_verifier"].encode()).digest()
        challenge = base64.urlsafe_b64encode(digest).rstrip(b"=").decode()
        return (
            client == [CLIENT, SECRET]
            and challenge == asked["code_challenge"]
            and form["redirect_uri"] == asked["redirect_uri"]
        )

    def _claims_of(self, asked: Mapping[str, str]) -> dict[str, Any]:
        now_s = int(self.now_s())
        claims = {"iss": self.issuer, "sub": self.subject, "aud": CLIENT, "nonce": asked["nonce"]}
        whole = {**claims, "iat": now_s, "exp": now_s + 300, **self.claims}
        return {name: value for name, value in whole.items() if value is not None}

    @staticmethod
    def _answer(request: BaseHTTPRequestHandler, status: int, document: Mapping[str, Any]) -> None:
        content = json.dumps(document).encode()
        request.send_response(status)
        request.send_header("Content-Type", "application/json")
        request.send_header("Content-Length", str(len(content)))
        request.end_headers()
        request.wfile.write(content)


def _signed(claims: dict[str, Any], key: RSAKey) -> str:
    return jwt.encode({"alg": "RS256", "kid": "of-today"}, claims, key)
