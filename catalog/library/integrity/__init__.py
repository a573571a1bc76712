"""Checks that what a store holds is what was written to it."""
