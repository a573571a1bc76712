"""How the sounds are made: resonators, what drives them, the room, and the files."""
