"""One writer that commits many requests at once, and the resources of a running server."""
