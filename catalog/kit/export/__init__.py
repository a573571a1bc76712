"""Hand-over: a folder that any sampler reads and that says where each hit came from."""

from catalog.kit.export.options import ExportOptions
from catalog.kit.export.plan import ExportPlan, PlannedFile, foresee_export
from catalog.kit.export.write import export_kit

__all__ = ["ExportOptions", "ExportPlan", "PlannedFile", "export_kit", "foresee_export"]
