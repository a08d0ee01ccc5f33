"""Tests of the YAML reader, the delivery specs and the session sheet."""
