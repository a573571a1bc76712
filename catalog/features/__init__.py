"""Measure samples; pure functions on arrays, without files or database."""

MEASURE_VERSION = 5  # raise it when a number changes its meaning; scans then measure again
