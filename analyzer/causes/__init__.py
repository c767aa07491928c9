"""Rules as data: why the pipe failed, which check would tell most, what to do."""
