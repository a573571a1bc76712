"""Export of a kit: audio, an SFZ instrument, a key map and a manifest of its sources."""

from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import ExportPlan, plan_export
from catalog.kit.export.write import export_kit

__all__ = ["ExportOptions", "ExportPlan", "export_kit", "plan_export"]
