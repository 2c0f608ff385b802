"""
How often somebody may try to sign in: counted in the database, so that all processes agree.

A try is counted before the password is looked at, and taken back where it was right: many at the same moment
do not get past the count. Three counts, each with tries that are free and a wait that doubles from there:

- person and address: who guesses at one person from one address waits longer and longer;
- address: who guesses at many people from one address does, too, but holds up no person who signed in from
  there lately;
- person, from all addresses together: waits half a minute at most, and only where the address has failed at
  this person before and the person did not sign in from there lately. So no other keeps a person out who
  comes from another address.

A try that has to wait is not counted, so waiting always ends. What is counted is the typed name without its
"@owner", whether or not it is a person's: so a wait tells of no person and no owner. Where several owners
have somebody of that name, a right password takes back its own try alone: else one of them would clear the
count of guesses at another.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.ingest.errors import Refused
from cleanside.ingest.owners.quotas import address_of, over_quota
from cleanside.ingest.store import people, sessions
from cleanside.ingest.store.people import Person
from cleanside.ingest.store.sessions import Place, Tries

PAIR, ADDRESS, PERSON = "pair", "address", "person"
ASKED = "asked"  # for a challenge, by address: no try yet
#: tries that cost no waiting; chosen: a person mistypes, an office shares an address
FREE = {PAIR: 5, ADDRESS: 30, PERSON: 50}
#: longest wait [s]; chosen
MOST_WAIT_S = {PAIR: 900.0, ADDRESS: 900.0, PERSON: 30.0}
FIRST_WAIT_S = 2.0
#: tries from one address at one person that the count of all addresses never holds up; chosen
OWN_TRIES = 2
NO_PERSON = 0  # rows begin at 1
FORGOTTEN_US = 24 * 3_600_000_000  # after so long without a try; chosen
KNOWN_US = 30 * 24 * 3_600_000_000  # an address where the person signed in since then is theirs; chosen
MOST_PLACES = 100_000  # rows; addresses beyond them share one; chosen


@dataclass(frozen=True, slots=True)
class SignInTry:
    """Who tries from where, as it is counted."""

    pair: Place
    address: Place
    person: Place
    #: one person at most has this name
    is_sole: bool


def wait_s(scope: str, tries: int) -> float:
    """How long after the last of so many tries the next one may be made [s]. Pure."""
    beyond = tries - FREE[scope]
    return 0.0 if beyond < 0 else min(MOST_WAIT_S[scope], FIRST_WAIT_S * 2 ** min(beyond, 16))


def count_asked(connection: sa.Connection, host: str | None, most: int, within_us: int, now_us: int) -> None:
    """Count that an address asks for a challenge. Raises Refused (429) beyond so many within so long."""
    place = _place(ASKED, _counted_address(connection, host, now_us))
    asked, since_us = sessions.lock_tries(connection, [place], now_us)[place]
    if now_us - since_us >= within_us:
        asked, since_us = 0, now_us
    if asked >= most:
        raise _too_often((since_us + within_us - now_us) / 1e6)
    sessions.put_tries(connection, place, Tries(asked + 1, since_us))


def _counted_address(connection: sa.Connection, host: str | None, now_us: int) -> str:
    sessions.forget_tries(connection, now_us - FORGOTTEN_US)
    return address_of(host) if sessions.count_places(connection) < MOST_PLACES else "others"


def is_known(connection: sa.Connection, person: Person | None, host: str | None, now_us: int) -> bool:
    """True if the person signed in from this address within `KNOWN_US`. Asked of no person as of one."""
    person_id = NO_PERSON if person is None else person.id  # the same work, so that time tells no name
    return sessions.began_at(connection, person_id, address_of(host), now_us - KNOWN_US)


def begin(
    connection: sa.Connection, typed: str, person: Person | None, host: str | None, now_us: int
) -> SignInTry:
    """
    Count a try. typed : the name as typed. person : whose it is; None: no person's.

    Raises Refused (429) with Retry-After where it has to wait; then nothing was counted.
    """
    address = _counted_address(connection, host, now_us)
    name = typed.partition("@")[0]
    this = SignInTry(
        pair=_place(PAIR, f"{name}@{address}"),
        address=_place(ADDRESS, address),
        person=_place(PERSON, name),
        is_sole=len(people.named(connection, name, None)) <= 1,
    )
    counts = sessions.lock_tries(connection, [this.pair, this.address, this.person], now_us)
    applies = [this.pair]
    if not is_known(connection, person, host, now_us):
        applies.append(this.address)
        if counts[this.pair].tries >= OWN_TRIES:
            applies.append(this.person)
    left_s = max(_left_s(place[0], counts[place], now_us) for place in applies)
    if left_s > 0:
        raise _too_often(left_s)
    for place, counted in counts.items():
        sessions.put_tries(connection, place, Tries(counted.tries + 1, now_us))
    return this


def succeeded(connection: sa.Connection, this: SignInTry, now_us: int) -> None:
    """The password was right: a name that one person has begins again; else, the try is taken back."""
    counts = sessions.lock_tries(connection, [this.pair, this.address, this.person], now_us)
    for place, (tries, last_us) in counts.items():
        begins_again = this.is_sole and place != this.address
        left = Tries(0, now_us) if begins_again else Tries(max(0, tries - 1), last_us)
        sessions.put_tries(connection, place, left)


def _left_s(scope: str, counted: Tries, now_us: int) -> float:
    return wait_s(scope, counted.tries) - max(0, now_us - counted.last_us) / 1e6


def _place(scope: str, subject: str) -> Place:
    return scope, hashlib.sha256(subject.encode("utf-8", "surrogatepass")).hexdigest()


def _too_often(left_s: float) -> Refused:
    return over_quota("sign_in_tries_spent", left_s)
