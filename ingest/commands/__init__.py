"""The commands of `cleanside-ingest`, one noun a file; each has `add(commands)`, which hangs it in."""
