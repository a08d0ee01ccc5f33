"""Inboxes: what lies in them, what arrives, and when it is whole and still."""
