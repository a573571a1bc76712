"""Kits: filling slots with hits, layers, levels, balance, phrases and export."""
