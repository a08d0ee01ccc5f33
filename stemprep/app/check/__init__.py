"""Check a drop: measured, judged, and what of it stops a delivery."""
