"""HTTP: the app, its edge, its error shape and its description; routes lie below."""
