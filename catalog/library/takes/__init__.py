"""Takes: regions, mixes, files of any length, and the export of strokes."""
