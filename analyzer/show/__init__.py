"""The result as people meet it: words, pictures, plots, report, files."""
