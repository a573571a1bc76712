"""The page part where a kit is built."""
