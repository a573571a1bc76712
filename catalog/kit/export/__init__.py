"""Hand-over: a folder that any sampler reads and that says where each hit came from."""

from catalog.kit.export.folder import export_kit

__all__ = ["export_kit"]
