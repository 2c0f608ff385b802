"""What a person does about quarantined readings, and a second look at them."""
