from . import propagation, roles

__all__ = ["propagation", "roles"]
