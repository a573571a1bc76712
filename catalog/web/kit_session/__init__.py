"""The kit that is being built on the page: its undo steps, its actions, its form as JSON."""
