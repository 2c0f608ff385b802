"""Sending what the spool keeps, in order, until the server acknowledges it."""
