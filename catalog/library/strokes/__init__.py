"""Strokes with several microphones: ties, the hit that stands for each, delays and roles."""
