"""Messages to people: what is worth telling, who is told, when, and the way of it by e-mail."""
