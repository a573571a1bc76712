from . import annotations, duplicates, files, kit_sound, kits, map, review, scans, search, takes

__all__ = [
    "annotations",
    "duplicates",
    "files",
    "kit_sound",
    "kits",
    "map",
    "review",
    "scans",
    "search",
    "takes",
]
