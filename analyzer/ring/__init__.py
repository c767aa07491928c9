"""The wall round a cut ring."""
