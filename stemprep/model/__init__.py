"""Frozen dataclasses that travel between the rooms."""
