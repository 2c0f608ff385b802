"""
Signing in with an OpenID provider: what is asked of it, and whether its answer holds.

Authorization code flow with PKCE (OpenID Connect Core 1.0, RFC 6749, RFC 7636). An identity is issuer and
subject together; names and mail addresses of a token say nothing here. A person has to be there: an identity
is bound to one by the link of their invitation.
Promises: pure but for random numbers. Only asymmetric signatures are believed, from keys of the provider; the
audience is this client, the nonce that of this try, the time now (RFC 8725 has the attacks). An answer that
names another issuer is refused (RFC 9207).
Leaves to others: asking the provider (`oidc_provider`), tries and identities (`ingest.store.identities`).
"""

from __future__ import annotations

import base64
import hashlib
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from joserfc import jws, jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet

from cleanside.ingest.errors import Refused

#: of signatures; none and shared secrets are not among them (RFC 8725 sections 2.1, 3.1)
ALGORITHMS = ("RS256", "RS384", "RS512", "PS256", "ES256", "ES384", "EdDSA")
LEEWAY_S = 60  # a provider's clock may be off by so much; chosen
TRY_LASTS_US = 600_000_000  # of a person at the provider's page; chosen
MOST_SUBJECT = 255  # characters (OpenID Connect Core 1.0 section 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class OidcClient:
    """How the provider knows this server."""

    issuer: str
    client_id: str
    #: None: a public client, which has PKCE alone
    secret: str | None
    #: what the button calls it
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OidcTry:
    """One way through the provider's page, begun in one browser."""

    state: str
    nonce: str
    verifier: str
    #: what the browser keeps meanwhile
    browser: str

    @property
    def challenge(self) -> str:
        """Of PKCE: S256 (RFC 7636 section 4.2)."""
        digest = hashlib.sha256(self.verifier.encode()).digest()
        return base64.urlsafe_b64encode(digest).rstrip(b"=").decode()


def new_try(random_urlsafe: Callable[[int], str] = secrets.token_urlsafe) -> OidcTry:
    """A fresh try: 256 random bits each."""
    return OidcTry(
        state=random_urlsafe(32),
        nonce=random_urlsafe(32),
        verifier=random_urlsafe(32),
        browser=random_urlsafe(32),
    )


def authorization_address(endpoint: str, client: OidcClient, begun: OidcTry, redirect_uri: str) -> str:
    """Where the browser goes to sign in."""
    asked = {
        "response_type": "code",
        "client_id": client.client_id,
        "redirect_uri": redirect_uri,
        "scope": "openid",
        "state": begun.state,
        "nonce": begun.nonce,
        "code_challenge": begun.challenge,
        "code_challenge_method": "S256",
    }
    return f"{endpoint}{'&' if '?' in endpoint else '?'}{urlencode(asked)}"


def require_issuer(answered: str | None, client: OidcClient, metadata: Mapping[str, Any]) -> None:
    """Raise Refused unless an answer comes from the provider that was asked (RFC 9207 section 2.4)."""
    is_promised = metadata.get("authorization_response_iss_parameter_supported") is True
    if answered != client.issuer and (answered is not None or is_promised):
        raise refused("the answer comes from another provider")


def key_id_of(token: str) -> str | None:
    """Which key signed a token, as it says itself. Raises Refused for what is no signed token."""
    try:
        header = jws.extract_compact(token.encode()).headers()
    except (JoseError, ValueError) as error:
        raise refused("the provider sent no signed token") from error
    key_id = header.get("kid")
    return key_id if isinstance(key_id, str) else None


def subject_of(token: str, keys: Mapping[str, Any], client: OidcClient, *, nonce: str, now_s: float) -> str:
    """
    Whose identity a token is, at this issuer.

    keys : the provider's, as a JSON Web Key Set. Raises Refused (403) where anything of it does not hold.
    """
    claims = _signed_claims(token, keys)
    audience = claims.get("aud")
    audiences = audience if isinstance(audience, list) else [audience]
    checks = {
        "it is from another issuer": claims.get("iss") == client.issuer,
        "it is for another client": client.client_id in audiences,
        "it was made for another client": claims.get("azp", client.client_id) == client.client_id
        and (len(audiences) == 1 or "azp" in claims),
        "it is of another try": _is_text(claims.get("nonce"))
        and secrets.compare_digest(str(claims["nonce"]), nonce),
        "it has ended": _is_time(claims.get("exp")) and claims["exp"] > now_s - LEEWAY_S,
        "it is from the future": _is_time(claims.get("iat")) and claims["iat"] < now_s + LEEWAY_S,
        "it names no subject": _is_text(claims.get("sub")) and len(claims["sub"]) <= MOST_SUBJECT,
    }
    if wrong := [why for why, holds in checks.items() if not holds]:
        raise refused(f"the token does not hold: {wrong[0]}")
    return str(claims["sub"])


def _signed_claims(token: str, keys: Mapping[str, Any]) -> dict[str, Any]:
    try:
        found = jwt.decode(token, KeySet.import_key_set({"keys": _for_signatures(keys)}), list(ALGORITHMS))
    except (JoseError, ValueError, TypeError, KeyError) as error:
        raise refused("the token's signature does not hold") from error
    return dict(found.claims)


def _for_signatures(keys: Mapping[str, Any]) -> list[Any]:
    """The public keys of a set that sign; a provider may publish others beside them."""
    found = keys.get("keys")
    listed = found if isinstance(found, list) else []
    return [k for k in listed if isinstance(k, dict) and k.get("kty") != "oct" and k.get("use") != "enc"]


def _is_text(value: object) -> bool:
    return isinstance(value, str) and bool(value)


def _is_time(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def refused(why: str) -> Refused:
    """A sign-in by the provider that is not taken (403)."""
    return Refused("oidc_refused", status=403, why=why)
