"""The page part for duplicates, faults, coverage and history."""
