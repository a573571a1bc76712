"""Samples in, numbers out: pure functions on arrays that know no folder and no database."""
