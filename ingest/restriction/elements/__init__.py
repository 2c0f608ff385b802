"""Changes of the element, and the lives between them."""
