from .catalog import Catalog, default_store
from .duplicates.groups import CopyGroup, UncertainPair
from .duplicates.pairs.overlay import Overlay
from .duplicates.pairs.relations import Relation
from .errors import AudioError, CatalogError, KitError, ParameterError, Stopped, StoreError
from .kit.export import ExportOptions, ExportPlan
from .kit.model import Kit
from .library.strokes.ties import StrokeTie
from .library.undo.undo import UndoResult
from .matching.comparison.transfer import Alignment
from .models import ROLES, Hit
from .reports import HistoryEvent, Progress, ScanReport, Skipped
from .search.layout import Layout
from .search.matches import Match

__version__: str
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
