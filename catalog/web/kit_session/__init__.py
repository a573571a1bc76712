"""The kit on the table: what lies on it, how it is changed, and what the browser is told of it."""
