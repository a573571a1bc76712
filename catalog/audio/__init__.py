"""Bytes to samples and back."""
