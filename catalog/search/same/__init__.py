"""Which hits belong together and how: copies, strokes, drums. Arrays and names in."""
