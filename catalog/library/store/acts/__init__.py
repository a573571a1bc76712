"""Acts of the user: what each changed, row by row, so that it can be undone and redone."""
