"""Text, dates and cue points that recorders and programs write into audio files."""
