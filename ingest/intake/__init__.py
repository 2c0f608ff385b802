"""What becomes of a batch: decoded, checked, stored, quarantined or refused."""
