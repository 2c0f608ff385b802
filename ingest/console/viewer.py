"""
Who looks at a page, and how they read: language, locale, time zone.

Promises: a made-up header or cookie changes nothing but the look of the answer to whoever sent it.
Leaves to others: what they may see (`routing`).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from zoneinfo import ZoneInfo

from babel import Locale, UnknownLocaleError
from fastapi import Request

from cleanside.ingest.console.formats import GAUGE_DECIMALS
from cleanside.ingest.store.keys import Key

LANGUAGES = ("de", "en")
LANGUAGE_COOKIE, ZONE_COOKIE, LIST_UNIT_COOKIE = "language", "zone", "pressures"
#: of who asks for no language of ours, or for English of no place: day before month, 24 hours
USUAL_LOCALE = "en_GB"
MAX_HEADER = 200  # characters of an Accept-Language that are read; chosen: browsers send far less


@dataclass(frozen=True, kw_only=True)
class Viewer:
    """Who looks at a page."""

    #: None: not signed in
    key: Key | None
    locale: Locale
    zone: ZoneInfo
    #: False: the browser has not said it yet, and times are in UTC
    zone_is_known: bool
    #: in which a list of several machines shows every pressure; a machine's own page has that of its gauge
    list_unit: str

    @property
    def language(self) -> str:
        """One of LANGUAGES."""
        return self.locale.language


def viewer_of(request: Request, key: Key | None) -> Viewer:
    """Who looks at the page of a request."""
    chosen = request.cookies.get(LANGUAGE_COOKIE) or (None if key is None else key.language) or ""
    asked = request.headers.get("accept-language", "")[:MAX_HEADER]
    zone = zone_named(request.cookies.get(ZONE_COOKIE, ""))
    return Viewer(
        key=key,
        locale=locale_of(asked, chosen if chosen in LANGUAGES else ""),
        zone=zone or ZoneInfo("UTC"),
        zone_is_known=zone is not None,
        list_unit=unit if (unit := request.cookies.get(LIST_UNIT_COOKIE, "")) in GAUGE_DECIMALS else "kPa",
    )


@lru_cache(maxsize=256)
def zone_named(name: str) -> ZoneInfo | None:
    """A time zone of the IANA data base; None: there is none of this name."""
    try:
        return ZoneInfo(name) if name else None
    except (KeyError, OSError, ValueError):  # ZoneInfoNotFoundError is a KeyError
        return None


@lru_cache(maxsize=256)
def locale_of(accepted: str, chosen: str = "") -> Locale:
    """
    The locale of an Accept-Language (RFC 9110 section 12.5.4): the first wanted whose language we have.

    chosen : the language that a person chose, before what the browser says; "": none.
    """
    wanted = [tag for tag in _by_weight(accepted) if chosen in ("", tag.split("-")[0].lower())]
    found = (locale for tag in wanted if (locale := _locale(tag)) is not None)
    return next(found, Locale.parse(chosen if chosen not in ("", "en") else USUAL_LOCALE))


def _by_weight(accepted: str) -> list[str]:
    """Language tags, most wanted first; those of weight 0 are left out."""
    weighted = []
    for entry in accepted.split(","):
        tag, _, weight = entry.strip().partition(";")
        try:
            weighted.append((float(weight.strip().removeprefix("q=") or 1), tag.strip()))
        except ValueError:
            continue
    return [tag for weight, tag in sorted(weighted, key=lambda pair: -pair[0]) if weight > 0]


def _locale(tag: str) -> Locale | None:
    if tag.split("-")[0].lower() not in LANGUAGES:
        return None
    if tag.lower() == "en":
        return Locale.parse(USUAL_LOCALE)
    try:
        return Locale.parse(tag, sep="-")
    except (UnknownLocaleError, ValueError):
        return Locale.parse(USUAL_LOCALE) if tag.lower().startswith("en") else Locale.parse("de")
