"""The report's sections: one file each, built on its own."""
