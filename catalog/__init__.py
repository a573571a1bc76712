"""Find, sort out and combine your own recorded drum hits."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catalog.errors import (
        AudioError,
        CatalogError,
        KitError,
        ParameterError,
        Stopped,
        StoreError,
    )
    from catalog.facade import Catalog, default_store
    from catalog.kit.assemble import Kit
    from catalog.kit.export import ExportOptions, ExportPlan
    from catalog.library.records import ROLES, HistoryEvent, Hit, Progress, ScanReport, Skipped
    from catalog.library.undo import Undone
    from catalog.search.by_ear import Doubt
    from catalog.search.duplicates import CopyGroup
    from catalog.search.map2d import Layout
    from catalog.search.neighbors import Match
    from catalog.search.same.relations import Relation
    from catalog.search.same.ties import StrokeTie
    from catalog.sound.fit import Alignment
    from catalog.sound.overlay import Overlay

__version__ = "0.1.0"

__all__ = [
    "ROLES",
    "Alignment",
    "AudioError",
    "Catalog",
    "CatalogError",
    "CopyGroup",
    "Doubt",
    "ExportOptions",
    "ExportPlan",
    "HistoryEvent",
    "Hit",
    "Kit",
    "KitError",
    "Layout",
    "Match",
    "Overlay",
    "ParameterError",
    "Progress",
    "Relation",
    "ScanReport",
    "Skipped",
    "Stopped",
    "StoreError",
    "StrokeTie",
    "Undone",
    "default_store",
]

_ROOMS = {
    "catalog.errors": (
        "AudioError", "CatalogError", "KitError", "ParameterError", "Stopped", "StoreError",
    ),
    "catalog.facade": ("Catalog", "default_store"),
    "catalog.kit.assemble": ("Kit",),
    "catalog.kit.export": ("ExportOptions", "ExportPlan"),
    "catalog.library.records": (
        "ROLES", "Hit", "HistoryEvent", "Progress", "ScanReport", "Skipped",
    ),
    "catalog.library.undo": ("Undone",),
    "catalog.search.by_ear": ("Doubt",),
    "catalog.search.duplicates": ("CopyGroup",),
    "catalog.search.map2d": ("Layout",),
    "catalog.search.neighbors": ("Match",),
    "catalog.search.same.relations": ("Relation",),
    "catalog.search.same.ties": ("StrokeTie",),
    "catalog.sound.fit": ("Alignment",),
    "catalog.sound.overlay": ("Overlay",),
}  # fmt: skip
_HOMES = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that the command line starts at once."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
