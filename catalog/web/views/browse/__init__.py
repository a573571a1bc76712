"""The page part with the map and the search."""
