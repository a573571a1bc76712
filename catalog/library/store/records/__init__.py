"""The records of a store, one file for each kind."""
