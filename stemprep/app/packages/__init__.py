"""Packages that lie somewhere: opened, verified, compared, and whole shelves of them."""
