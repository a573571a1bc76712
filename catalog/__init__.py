"""Find, organize and combine your own recorded drum hits.

Public names are listed in `__init__.pyi` and imported on first use, so that the command line
starts at once.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
