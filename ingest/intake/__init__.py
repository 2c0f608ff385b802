"""The way of a batch: decode, check, then store, quarantine or refuse."""
