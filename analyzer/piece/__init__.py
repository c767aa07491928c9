"""Where the metal is: its outline, the cylinder that it is a part of, the unrolled map."""
