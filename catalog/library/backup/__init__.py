"""Backups of what a scan cannot make again, and recovery of a lost store."""
