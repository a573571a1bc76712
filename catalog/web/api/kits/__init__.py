"""Routes of kits: the one that is being built, the saved ones, their sound and their export."""
