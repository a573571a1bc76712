"""The command line: verbs by family, what can be said to each, and how results are printed."""
