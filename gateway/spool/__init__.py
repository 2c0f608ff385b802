"""The durable queue on the machine: on disk, numbered, kept until acknowledged."""
