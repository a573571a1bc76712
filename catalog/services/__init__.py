"""The collaborators of `Catalog`, one for each kind of work."""
