"""Estimate roles from the hits of the library whose roles are known."""
