"""When a reading was taken: the machine's clocks, and where a boot lies in time."""
