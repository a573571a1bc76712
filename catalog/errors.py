"""The exceptions of this package.

CatalogError
    ParameterError, also a ValueError: an argument has a value that is not allowed
    AudioError: a file cannot be used as a hit
    StoreError: the store cannot be opened or refuses a change
        StoreArgumentError, also a ParameterError: the call does not fit what the store holds
    KitError: a kit cannot be assembled or written
        KitArgumentError, also a ParameterError: the call does not fit the kit
    ClusterError: workers of a cluster cannot do the work, or were lost
    Stopped: a long job was stopped by its progress callback

A message states what is wrong, what is allowed, and what to do.
"""

from __future__ import annotations

from pathlib import Path


class CatalogError(Exception):
    """The root of all exceptions that this package raises on purpose."""


class ParameterError(CatalogError, ValueError):
    """An argument has a value that is not allowed."""


class AudioError(CatalogError):
    """A file, `path`, cannot be used as a hit; `reason` states the fault and what to do."""

    def __init__(self, path: str | Path, reason: str) -> None:
        self.path = Path(path)
        self.reason = reason
        super().__init__(f"{self.path.name}: {reason}")

    def __reduce__(self) -> tuple[type[AudioError], tuple[Path, str]]:
        """Keep both arguments when the error is pickled in a worker process."""
        return (type(self), (self.path, self.reason))


class StoreError(CatalogError):
    """The store cannot be opened, is of a newer version, or refuses a change."""


class StoreArgumentError(StoreError, ParameterError):
    """The call names a hit, kit, act or file that does not exist, or is in another state."""


class ClusterError(CatalogError):
    """The workers of a cluster cannot do the work, or were lost; finished work is stored."""


class Stopped(CatalogError):
    """Raised by a progress callback to stop a long job; finished work is stored."""


class KitError(CatalogError):
    """A kit cannot be assembled or written; `slot` is at fault, or the whole kit if it is None."""

    def __init__(self, message: str, *, slot: str | None = None) -> None:
        self.slot = slot
        super().__init__(message)


class KitArgumentError(KitError, ParameterError):
    """The call names a slot, hit, file or setting that a kit does not have or allow."""
