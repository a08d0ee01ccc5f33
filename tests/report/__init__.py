"""Tests of the renderers."""
