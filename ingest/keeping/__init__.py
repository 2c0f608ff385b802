"""Keeping what was stored: archive, backup, export."""
