"""State, causes for mistrust, evidence, acceptance, cost of waiting."""
