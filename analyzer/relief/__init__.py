"""Several lights as one look: depth of pits, holes that light comes through."""
