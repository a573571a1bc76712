"""Hand-over: a folder that any sampler reads and that says where each hit came from."""

from catalog.kit.export.folder import export_kit
from catalog.kit.export.foresee import ExportPlan, PlannedFile, foresee_export
from catalog.kit.export.options import ExportOptions

__all__ = ["ExportOptions", "ExportPlan", "PlannedFile", "export_kit", "foresee_export"]
