"""
Passkeys: a person signs in with what their phone, computer or token holds, in place of a password.

W3C Web Authentication level 3, read by the library webauthn. A passkey is bound to the name of this server,
so there are none where the pages are opened under a bare address; browsers want https, or localhost. It is
discoverable, so no name is typed, and asks for PIN or finger (user verification), as it stands alone.

Promises: a challenge is signed once, within `CHALLENGE_US`, for what it was made for. All that does not fit
gets one answer. Whoever is not signed in gets a bounded number of challenges by address, and they push out
none of those that people make passkeys with.
Leaves to others: the session that comes of it (`ingest.owners.sessions`).
"""

from __future__ import annotations

import ipaddress
import json
import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import sqlalchemy as sa
import webauthn
from webauthn.helpers import base64url_to_bytes, bytes_to_base64url, options_to_json_dict
from webauthn.helpers.exceptions import WebAuthnException
from webauthn.helpers.structs import (
    AuthenticatorSelectionCriteria,
    PublicKeyCredentialDescriptor,
    ResidentKeyRequirement,
    UserVerificationRequirement,
)

from cleanside.ingest.errors import NotFound, Refused
from cleanside.ingest.owners import sign_in_pace
from cleanside.ingest.owners.access import hash_of
from cleanside.ingest.store import audit, passkeys, people
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.passkeys import Passkey
from cleanside.ingest.store.people import Person

CHALLENGE_US = 300_000_000  # five minutes to find the token; chosen
CHALLENGE_BYTES = 32
OF_ADDRESS = 100  # challenges to sign in within `CHALLENGE_US`, of one address; chosen: an office shares one
MOST_PASSKEYS = 20  # of a person; chosen
_VERIFIED = UserVerificationRequirement.REQUIRED


@dataclass(frozen=True, slots=True)
class PasskeyPlace:
    """Where the pages are: what a passkey is bound to."""

    #: the name of the server, without a port
    name: str
    #: scheme, name and port
    origin: str


def place_of(address: str) -> PasskeyPlace:
    """The place of an address like https://filters.example. Raises Refused (409) where it has no name."""
    parts = urlsplit(address)
    name = parts.hostname or ""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        if name and (parts.scheme == "https" or name == "localhost"):
            return PasskeyPlace(name, f"{parts.scheme}://{parts.netloc}")
    raise Refused("passkeys_not_here", status=409, name=name or "no address")


def making_options(
    connection: sa.Connection,
    key: Key,
    place: PasskeyPlace,
    now_us: int,
    random_bytes: Callable[[int], bytes] = secrets.token_bytes,
) -> dict[str, Any]:
    """What the browser of a person needs to make a passkey. Raises Refused (409): they have enough."""
    known = passkeys.of_person(connection, -key.id)
    person = people.by_id(connection, -key.id)
    if person is None or len(known) >= MOST_PASSKEYS:
        raise Refused("too_many_passkeys", status=409, code="passkey_refused", most=MOST_PASSKEYS)
    options = webauthn.generate_registration_options(
        rp_id=place.name,
        rp_name="cleanside",
        user_id=person.handle.encode(),
        user_name=person.name,
        user_display_name=person.display_name or person.name,
        challenge=_challenge(connection, person.id, now_us, random_bytes),
        authenticator_selection=AuthenticatorSelectionCriteria(
            resident_key=ResidentKeyRequirement.REQUIRED, user_verification=_VERIFIED
        ),
        exclude_credentials=[PublicKeyCredentialDescriptor(base64url_to_bytes(k.credential)) for k in known],
    )
    return options_to_json_dict(options)


def sign_in_options(
    connection: sa.Connection,
    place: PasskeyPlace,
    host: str | None,
    now_us: int,
    random_bytes: Callable[[int], bytes] = secrets.token_bytes,
) -> dict[str, Any]:
    """
    What a browser needs to sign somebody in; it names no person.

    Raises Refused (429) with Retry-After where the address has enough.
    """
    sign_in_pace.count_asked(connection, host, OF_ADDRESS, CHALLENGE_US, now_us)
    challenge = _challenge(connection, None, now_us, random_bytes)
    return options_to_json_dict(
        webauthn.generate_authentication_options(
            rp_id=place.name, challenge=challenge, user_verification=_VERIFIED
        )
    )


def _challenge(
    connection: sa.Connection, person_id: int | None, now_us: int, random_bytes: Callable[[int], bytes]
) -> bytes:
    challenge = random_bytes(CHALLENGE_BYTES)
    kept = hash_of(bytes_to_base64url(challenge))
    passkeys.put_challenge(connection, kept, person_id, now_us=now_us, expires_us=now_us + CHALLENGE_US)
    return challenge


def keep(
    connection: sa.Connection,
    key: Key,
    place: PasskeyPlace,
    credential: Mapping[str, Any],
    name: str,
    now_us: int,
) -> Passkey:
    """Keep what an authenticator made. Raises Refused (403) `passkey_refused`."""
    challenge = _taken_challenge(connection, credential, -key.id, now_us)
    try:
        made = webauthn.verify_registration_response(
            credential=dict(credential),
            expected_challenge=challenge,
            expected_rp_id=place.name,
            expected_origin=place.origin,
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError, TypeError, KeyError) as error:
        raise refused() from error
    identifier = bytes_to_base64url(made.credential_id)
    if passkeys.by_credential(connection, identifier) is not None:
        raise refused()
    kept = passkeys.create(
        connection,
        person_id=-key.id,
        credential=identifier,
        public_key=made.credential_public_key,
        sign_count=made.sign_count,
        name=name,
        now_us=now_us,
    )
    about = {"passkey": kept.id, "name": name}
    audit.note(connection, key.owner_id, now_us, key.handle, "passkey_made", **about)
    return kept


def verified(
    connection: sa.Connection, place: PasskeyPlace, credential: Mapping[str, Any], now_us: int
) -> Person:
    """Whose passkey signed. Raises Refused (403) `passkey_refused`, the same for whatever does not fit."""
    challenge = _taken_challenge(connection, credential, None, now_us)
    found = passkeys.by_credential(connection, str(credential.get("id"))[:1_400])
    person = None if found is None else people.by_id(connection, found.person_id)
    if found is None or person is None or person.state != people.VALID:
        raise refused()
    try:
        signed = webauthn.verify_authentication_response(
            credential=dict(credential),
            expected_challenge=challenge,
            expected_rp_id=place.name,
            expected_origin=place.origin,
            credential_public_key=found.public_key,
            credential_current_sign_count=found.sign_count,
            require_user_verification=True,
        )
    except (WebAuthnException, ValueError, TypeError, KeyError) as error:
        raise refused() from error
    passkeys.used(connection, found.id, signed.new_sign_count, now_us)
    return person


def _taken_challenge(
    connection: sa.Connection, credential: Mapping[str, Any], person_id: int | None, now_us: int
) -> bytes:
    """The challenge that was signed, used up. Raises Refused (403) where it was not open."""
    try:
        data = json.loads(base64url_to_bytes(credential["response"]["clientDataJSON"]))
        signed = str(data["challenge"])
        challenge = base64url_to_bytes(signed)
    except (ValueError, TypeError, KeyError) as error:
        raise refused() from error
    if not passkeys.take_challenge(connection, hash_of(signed), person_id, now_us):
        raise refused()
    return challenge


def refused() -> Refused:
    """The one answer to what does not fit."""
    return Refused("passkey_refused", status=403)


def remove(connection: sa.Connection, key: Key, passkey_id: int, now_us: int) -> None:
    """Remove one of one's own passkeys. Raises NotFound."""
    if not passkeys.remove(connection, -key.id, passkey_id):
        raise NotFound("passkey", str(passkey_id))
    audit.note(connection, key.owner_id, now_us, key.handle, "passkey_removed", passkey=passkey_id)
