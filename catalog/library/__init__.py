"""Folders of audio in, a store of hits and their numbers out: only this floor knows the disk."""
