"""Find, sort out and combine your own recorded drum hits."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catalog.catalog import Catalog, default_store
    from catalog.duplicates.groups import CopyGroup, UncertainPair
    from catalog.duplicates.microphone_ties import StrokeTie
    from catalog.duplicates.overlay import Overlay
    from catalog.duplicates.relations import Relation
    from catalog.errors import (
        AudioError,
        CatalogError,
        KitError,
        ParameterError,
        Stopped,
        StoreError,
    )
    from catalog.kit.export import ExportOptions, ExportPlan
    from catalog.kit.model import Kit
    from catalog.library.files.undo import UndoResult
    from catalog.matching.transfer import Alignment
    from catalog.models import ROLES, HistoryEvent, Hit, Progress, ScanReport, Skipped
    from catalog.search.layout import Layout
    from catalog.search.matches import Match

__version__ = "0.1.0"

__all__ = [
    "ROLES",
    "Alignment",
    "AudioError",
    "Catalog",
    "CatalogError",
    "CopyGroup",
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
    "UncertainPair",
    "UndoResult",
    "default_store",
]

_ROOMS = {
    "catalog.errors": (
        "AudioError", "CatalogError", "KitError", "ParameterError", "Stopped", "StoreError",
    ),
    "catalog.catalog": ("Catalog", "default_store"),
    "catalog.kit.fill.fill": ("Kit",),
    "catalog.kit.export": ("ExportOptions", "ExportPlan"),
    "catalog.models": (
        "ROLES", "Hit", "HistoryEvent", "Progress", "ScanReport", "Skipped",
    ),
    "catalog.library.files.undo": ("UndoResult",),

    "catalog.duplicates.groups": ("CopyGroup", "UncertainPair"),
    "catalog.search.layout": ("Layout",),
    "catalog.search.matches": ("Match",),
    "catalog.duplicates.relations": ("Relation",),
    "catalog.duplicates.microphone_ties": ("StrokeTie",),
    "catalog.matching.transfer": ("Alignment",),
    "catalog.duplicates.overlay": ("Overlay",),
}  # fmt: skip
_HOMES = {name: room for room, names in _ROOMS.items() for name in names}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first used, so that the command line starts at once."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value
