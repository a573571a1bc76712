"""The SQLite store, one file for each kind of record."""
