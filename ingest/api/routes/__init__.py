"""The routes, one noun a file: check the key, call the store or the writer, shape the answer."""
