"""
Is a host this machine itself: then keys and passwords stay on it, also without TLS.

Leaves to others: what follows from it.
"""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """True for this machine itself, by address or by its one sure name."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
