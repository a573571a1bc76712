"""Walk folders, measure files in worker processes, and record the results."""
