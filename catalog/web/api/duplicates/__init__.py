"""Routes for duplicates: the queue of groups, and two aligned hits."""
