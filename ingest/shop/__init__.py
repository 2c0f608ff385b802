"""What the shop knows of its machines, and the work that follows from it: pure rules over what is stored."""
