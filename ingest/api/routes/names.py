"""How names of machines, housings, devices and streams, and days, are written; the answer to a wrong one."""

from __future__ import annotations

from collections.abc import Mapping

#: the contract: names
NAME_PATTERN = r"^[A-Za-z0-9:._-]{1,64}$"
#: the same without "." and "..": in an address those are folders (RFC 3986 section 5.2.4)
NEW_NAME_PATTERN = r"^(\.{0,2}[A-Za-z0-9:_-]|\.{3})[A-Za-z0-9:._-]*$"

#: ISO 8601, a calendar day
DAY_PATTERN = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"

_RULE = "1 to 64 letters A-Z a-z, digits and - . : _ only; no spaces or slashes (a display name may have any)"
#: pattern of a name -> its rule in words
RULES: Mapping[str, str] = {
    NAME_PATTERN: _RULE,
    NEW_NAME_PATTERN: _RULE.replace(" only", ' only, and not "." or ".."'),
}
DAY_RULE = "no day of the calendar; write it like 2026-12-04"
