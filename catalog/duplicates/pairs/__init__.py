"""Pairs of hits: compared in parallel, overlaid, related."""
