"""Choose the hits of a kit."""
