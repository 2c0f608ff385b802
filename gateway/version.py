"""
Which gateway this is, and the day it was built.

No clock on a machine can rightly show a time before `BUILT`: it is the floor for every placement.
The one place of both: the distribution reads its version here, and `.ci/release` writes both.
"""

from __future__ import annotations

from typing import Final

VERSION: Final = "0.1.0"
BUILT: Final = "2026-11-24"
