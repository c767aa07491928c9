"""What is left of the wall: readings, evidence combined, what it can bear, the deepest pit to expect."""
