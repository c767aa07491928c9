"""The one call and what it returns: examination, corrections beside it, its written form."""
