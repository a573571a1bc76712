"""Read, write, resample and mix audio."""
