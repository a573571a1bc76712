"""Figures of time and memory against their floors, written as one table into RESULTS.md."""
