"""Measure takes: long files and files with several microphones."""
