"""The numbers shown for a hit: what they are, how they are measured, and the notes of pitches."""
