"""Divide a take that holds several strokes into one segment per stroke."""

from catalog.features.segmentation.segments import segment_take

__all__ = ["segment_take"]
