"""How names of machines, housings, devices and streams, and days, are written; the answer to a wrong one."""

from __future__ import annotations

from collections.abc import Mapping

#: the contract: names
NAME_PATTERN = r"^[A-Za-z0-9:._-]{1,64}$"
#: the same without "." and "..": in an address those are folders (RFC 3986 section 5.2.4)
NEW_NAME_PATTERN = r"^(\.{0,2}[A-Za-z0-9:_-]|\.{3})[A-Za-z0-9:._-]*$"

#: a length of a step of time [s]
STEP_PATTERN = r"^[1-9][0-9]{0,6}s$"
#: RFC 3339, an offset from UTC
OFFSET_PATTERN = r"^(Z|[+-]\d\d:\d\d)$"
TIME_OF_DAY_PATTERN = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
#: what a preview answers as `selection`
SELECTION_PATTERN = r"^[0-9a-f]{32}$"
#: ISO 8601, a calendar day
DAY_PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"

_RULE = "1 to 64 letters A-Z a-z, digits and - . : _ only; no spaces or slashes (a display name may have any)"
#: pattern of a name -> its rule in words
RULES: Mapping[str, str] = {
    NAME_PATTERN: _RULE,
    NEW_NAME_PATTERN: _RULE.replace(" only", ' only, and not "." or ".."'),
}
#: pattern of a text that is no name -> its rule in words
TEXT_RULES: Mapping[str, str] = {
    STEP_PATTERN: "it must be a number of seconds with an s behind it, like 60s or 3600s",
    OFFSET_PATTERN: "it must be an offset from UTC, like +01:00 or Z",
    TIME_OF_DAY_PATTERN: "it must be a time of day, like 06:00",
    SELECTION_PATTERN: "it must be the selection of a preview, 32 hexadecimal digits",
}
DAY_RULE = "no day of the calendar; write it like 2026-12-04"
