from . import annotations, duplicates, files, kits, map, review, scans, search, takes

__all__ = [
    "annotations",
    "duplicates",
    "files",
    "kits",
    "map",
    "review",
    "scans",
    "search",
    "takes",
]
