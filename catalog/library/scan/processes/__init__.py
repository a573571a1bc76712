"""Child processes of this machine and the workers of a cluster."""
