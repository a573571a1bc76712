"""The commands, by group."""
