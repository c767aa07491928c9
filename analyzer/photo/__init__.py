"""Bytes to upright pixels in a known colour space, and whether they are good enough."""
