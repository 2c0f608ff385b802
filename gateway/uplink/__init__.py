"""Sends the readings of the spool, in order, until the server acknowledges them."""
