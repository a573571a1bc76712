"""Scan folders of audio into a store; the only package that accesses files and the database."""
