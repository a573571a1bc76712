"""What a hit sounds like on average: its lowest mode and its spectrum."""
