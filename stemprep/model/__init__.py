"""Frozen dataclasses that travel between the rooms; no behaviour beyond what a record knows of itself."""
