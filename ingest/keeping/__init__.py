"""Keeping stored readings: archive, backup, export."""
