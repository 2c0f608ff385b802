"""Events for webhooks: announced, signed, delivered."""
