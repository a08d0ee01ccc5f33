"""Array mathematics: no files, no clock, no verdicts."""
