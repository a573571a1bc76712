"""Undo and redo of acts."""
