"""HTTP: the app, its edge, its error shape and its description; the routes are in `routes`."""
