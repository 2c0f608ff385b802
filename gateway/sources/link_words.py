"""
What a modem and a satellite receiver say of link and position: pure, from their lines to values.

Promises: a line that is not as its standard has it gives nothing, and never a guess: a checksum that does not
fit, a level "not known", a position without a fix.
Leaves to others: where the lines come from (`gateway.sources.receiver`).

3GPP TS 27.007 clause 8.5 (+CSQ); NMEA 0183, sentence GGA.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import reduce
from typing import Final

_CSQ: Final = re.compile(r"\+CSQ:\s*(\d{1,2})\s*,\s*\d{1,2}\s*", re.ASCII)
_LOWEST_DBM: Final = -113.0  # <rssi> 0: this or less
_STEP_DBM: Final = 2.0  # each step of <rssi>
_HIGHEST_RSSI: Final = 31  # -51 dBm or more; 99: not known or not detectable
_SENTENCE: Final = re.compile(r"\$([A-Z]{2}GGA,[\x20-\x29\x2b-\x7e]{1,80})\*([0-9A-Fa-f]{2})", re.ASCII)
_FIELDS: Final = 15  # of a GGA sentence, its name among them
#: a fix that measures: 6 is dead reckoning, 7 entered by hand, 8 a simulator; 0 is none
_MEASURED: Final = frozenset({"1", "2", "3", "4", "5"})
_QUALITIES: Final = frozenset("012345678")
#: quantity -> unit of what `of_line` gives
UNITS: Final[Mapping[str, str]] = {
    "signal_strength": "dBm",
    "position_fix": "1",
    "satellites": "1",
    "latitude": "deg",
    "longitude": "deg",
    "altitude": "m",
}


def of_line(line: str) -> dict[str, float]:
    """Quantity -> value, in the unit of `UNITS`, of one line of either; empty: it says nothing of them."""
    level = csq_dbm(line)
    return gga(line) if level is None else {"signal_strength": level}


def csq_dbm(line: str) -> float | None:
    """The level that a +CSQ answer says [dBm]; its ends mean "or less" and "or more". None: not known."""
    found = _CSQ.fullmatch(line.strip())
    rssi = int(found[1]) if found else 99
    return _LOWEST_DBM + _STEP_DBM * rssi if rssi <= _HIGHEST_RSSI else None


def gga(line: str) -> dict[str, float]:
    """Fix, satellites and, where a fix was measured, the position (WGS 84, altitude above mean sea level)."""
    found = _SENTENCE.fullmatch(line.strip())
    if found is None or checksum(found[1]) != int(found[2], 16):
        return {}
    fields = found[1].split(",")
    if len(fields) != _FIELDS or fields[6] not in _QUALITIES:
        return {}
    values = {"position_fix": float(fields[6])}
    if re.fullmatch(r"\d{1,2}", fields[7], re.ASCII):
        values["satellites"] = float(fields[7])
    return values | (_position(fields) if fields[6] in _MEASURED else {})


def checksum(content: str) -> int:
    """All characters between $ and * combined by exclusive or (NMEA 0183)."""
    return reduce(lambda total, character: total ^ ord(character), content, 0)


def _position(fields: list[str]) -> dict[str, float]:
    latitude = _degrees(fields[2], fields[3], "NS", whole=2, most=90.0)
    longitude = _degrees(fields[4], fields[5], "EW", whole=3, most=180.0)
    if latitude is None or longitude is None:
        return {}
    height = re.fullmatch(r"-?\d{1,5}(\.\d{1,4})?", fields[9], re.ASCII)
    altitude = {"altitude": float(fields[9])} if height and fields[10] == "M" else {}
    return {"latitude": latitude, "longitude": longitude, **altitude}


def _degrees(text: str, side: str, sides: str, *, whole: int, most: float) -> float | None:
    """ddmm.mmmm (whole = 2) or dddmm.mmmm (whole = 3) with its side, in degrees; None: it is not that."""
    found = re.fullmatch(rf"(\d{{{whole}}})(\d\d(?:\.\d{{1,8}})?)", text, re.ASCII)
    if found is None or side not in tuple(sides) or float(found[2]) >= 60.0:
        return None
    degrees = int(found[1]) + float(found[2]) / 60.0
    return None if degrees > most else round(degrees if side == sides[0] else -degrees, 9)
