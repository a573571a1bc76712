from . import drums

__all__ = ["drums"]
