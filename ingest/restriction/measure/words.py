"""Counts in sentences."""

from __future__ import annotations


def counted(number: int, noun: str, plural: str = "") -> str:
    """A count with its noun, as that of `gateway.units`; nothing outside this folder is imported here."""
    return f"{number:,} {noun if number == 1 else plural or noun + 's'}"
