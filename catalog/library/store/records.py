"""The records that a scan hands to the store."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np

from catalog.features.measure import Measures
from catalog.library.metadata.filename import Provenance
from catalog.library.metadata.roles import RoleGuess


class FoundFile(NamedTuple):
    """An audio file as the walk of a folder found it, before it was read.

    Attributes
    ----------
    path : str, absolute
    root : str, the scanned folder that it is below
    size, mtime_ns : int, bytes and nanoseconds, as the file system gave them
    mate : str, the right side's file where two mono files are one stereo recording; else ""
    """

    path: str
    root: str
    size: int
    mtime_ns: int
    mate: str = ""

    @property
    def mate_path(self) -> Path | None:
        """The right side's file, or None."""
        return Path(self.mate) if self.mate else None


@dataclass(frozen=True, eq=False)
class MeasuredFile:
    """One file with everything that a scan found out about it.

    Attributes
    ----------
    file : FoundFile
    content_hash : str, hex SHA-256
    sr : int, Hz
    n_channels : int
    container, subtype : str, see `Hit`
    provenance : Provenance
    strokes : tuple of Measures, in order; one for a finished hit
    roles : tuple of RoleGuess, one per stroke; empty until they are classified
    role_probabilities : np.ndarray or None
        float32, shape (n_strokes, 20), from sound alone, in the order of `ROLES`
    """

    file: FoundFile
    content_hash: str
    sr: int
    n_channels: int
    container: str
    subtype: str
    provenance: Provenance
    strokes: tuple[Measures, ...]
    roles: tuple[RoleGuess, ...] = ()
    role_probabilities: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class MovedFile:
    """A file that was found elsewhere by its content, and what its new name implies."""

    file: FoundFile
    provenance: Provenance
    role: RoleGuess
