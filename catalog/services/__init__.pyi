from . import annotations, drums, duplicates, files, kit, map, review, roles, scans, search, takes

__all__ = [
    "annotations",
    "drums",
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
