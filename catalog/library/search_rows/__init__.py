"""Narrow tables that repeat what queries read of each hit, so that answers are quick."""
