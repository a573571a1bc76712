"""Build takes of which every stroke is known, to fit the model that finds strokes."""
