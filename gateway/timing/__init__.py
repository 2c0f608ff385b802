"""When a reading was measured: the machine's clocks, and the placement of boots in time."""
