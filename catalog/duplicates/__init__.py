"""Groups of copies, the preferred file of each, and other relations between hits."""
