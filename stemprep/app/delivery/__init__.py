"""Deliver: plan, write, judge again, seal, publish, send."""
