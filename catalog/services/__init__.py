"""The collaborators of `Catalog`."""
