"""What is seen on the metal: pits, mounds, bands, and what they say together."""
