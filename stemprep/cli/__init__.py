"""The command line: one file a command; parse, call ``app``, print, exit code."""
