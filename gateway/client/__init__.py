"""The typed client for integrators: post readings, read results."""
