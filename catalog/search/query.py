"""What is searched from: a hit of the table, or a file that is in no catalog."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.errors import AudioError, ParameterError
from catalog.library.rolemodel import role_probabilities
from catalog.search.metric import alike_to, make_spaces
from catalog.search.table import HitTable
from catalog.sound.decode import decode_file
from catalog.sound.measure import measure_audio


@dataclass(frozen=True, eq=False)
class Query:
    """A point to search from.

    Attributes
    ----------
    alike : np.ndarray, shape (n_plain,)
    roles : np.ndarray, shape (n_roles,), role probabilities from sound
    descriptors : mapping of str to float
    session : str, "" for a file outside
    row : int or None, in the table
    """

    alike: np.ndarray
    roles: np.ndarray
    descriptors: Mapping[str, float]
    session: str = ""
    row: int | None = None

    def distances(self, table: HitTable) -> np.ndarray:
        """How alike every hit of the table is; float64, shape (n,)."""
        return alike_to(table.spaces, self.alike, self.roles)


def query_row(table: HitTable, row: int) -> Query:
    """Search from a hit of the table."""
    spaces, hit = table.spaces, table.hits[row]
    return Query(spaces.alike[row], spaces.roles[row], hit.descriptors, hit.session, row)


def query_file(path: Path) -> Query:
    """Search from a file that holds one hit, such as a phone's recording.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Query

    Raises
    ------
    AudioError
        if it cannot be read or holds no stroke
    """
    try:
        measures = measure_audio(decode_file(path))
    except ParameterError as err:
        raise AudioError(path, str(err)) from err
    roles = role_probabilities(measures.picture)
    spaces = make_spaces(np.zeros(1, np.int64), measures.picture[None], roles)
    return Query(spaces.alike[0], roles[0], measures.descriptors)
