"""Search: distances between hits, ranked matches and the map layout."""
