"""What comes back to a package: reconciled with it, and accepted into the next."""
