"""What every room stands on: a value with its uncertainty, flags and errors, units and numbers as people read them, text files, networks."""
