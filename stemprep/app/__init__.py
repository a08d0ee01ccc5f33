"""Use cases: one file each. They join the edges to the core and touch no samples."""
