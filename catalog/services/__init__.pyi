from . import annotations, duplicates, files, kit, map, review, roles, scans, search, takes

__all__ = [
    "annotations",
    "duplicates",
    "files",
    "kit",
    "map",
    "review",
    "roles",
    "scans",
    "search",
    "takes",
]
