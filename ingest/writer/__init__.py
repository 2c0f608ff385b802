"""One writer that commits many requests at once, and what a running server has open."""
