"""Compare two recordings: align them, fit a transfer model, decide whether they are one."""
