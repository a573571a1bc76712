"""What the user prefers, learned from choices."""
