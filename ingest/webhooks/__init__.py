"""Events to those who asked for them: announced, signed, delivered."""
