"""Messages to people: what is worth a message, who gets it, when, and the way of it by e-mail."""
