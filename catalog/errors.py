"""Every error raised on purpose. A message says what is wrong, what is allowed, and what to do."""

from __future__ import annotations

from pathlib import Path


class CatalogError(Exception):
    """The root of all errors raised on purpose."""


class ParameterError(CatalogError, ValueError):
    """An argument is outside what is allowed."""


class AudioError(CatalogError):
    """A file cannot be used as a hit.

    Attributes
    ----------
    path : Path
        the file
    reason : str
        the fault and what to do, without the file name
    """

    def __init__(self, path: str | Path, reason: str) -> None:
        self.path = Path(path)
        self.reason = reason
        super().__init__(f"{self.path.name}: {reason}")

    def __reduce__(self) -> tuple[type[AudioError], tuple[Path, str]]:
        """Keep both arguments when a worker process sends the error home."""
        return (type(self), (self.path, self.reason))


class StoreError(CatalogError):
    """The store cannot be opened, is of a newer version, or refuses a change."""


class Stopped(CatalogError):
    """Raised by whoever is told of progress, to end a long job; what was done so far is kept."""


class KitError(CatalogError):
    """A kit cannot be put together or written.

    Attributes
    ----------
    slot : str or None
        the slot at fault, None if it is the whole kit
    """

    def __init__(self, message: str, *, slot: str | None = None) -> None:
        self.slot = slot
        super().__init__(message)
