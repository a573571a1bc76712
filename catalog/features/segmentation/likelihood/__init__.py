"""Estimate how likely each sudden rise in a take is a stroke."""
