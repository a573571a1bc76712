"""The table of numbers in; ranks, groups and positions out."""
