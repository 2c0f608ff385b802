"""From readings to restriction at the reference flow, hour by hour."""
