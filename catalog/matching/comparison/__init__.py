"""Measure how much of one recording another explains."""
