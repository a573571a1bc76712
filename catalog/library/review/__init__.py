"""What the library lacks and what is wrong with it."""
