"""Measure samples; pure functions on arrays, without files or database."""
