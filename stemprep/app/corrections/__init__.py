"""Packages made of a package: what is corrected, and what is carried over."""
