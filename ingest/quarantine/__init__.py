"""Changes that a person makes to quarantined readings, and the checks that follow."""
