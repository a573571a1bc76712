"""The sound synthesis: resonators, the forces that drive them, the room, and the files."""
