"""What is searched from: a hit of the table, or a file that is in no catalog."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import AudioError, ParameterError
from catalog.features.measure import Measures, measure_audio
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.scan.walk import hash_file
from catalog.models import ROLES, Hit
from catalog.search.spaces import ALL, Rows, alike_to, make_spaces
from catalog.search.table import HitTable


@dataclass(frozen=True, eq=False)
class Query:
    """A point to search from.

    Attributes
    ----------
    alike : np.ndarray, shape (n_plain,)
    roles : np.ndarray, shape (n_roles,), role probabilities from sound
    hit : Hit
        one of the table, or of id 0 for a file outside: no session, its role guessed from sound
    row : int or None, in the table
    """

    alike: np.ndarray
    roles: np.ndarray
    hit: Hit
    row: int | None = None

    @property
    def descriptors(self) -> Mapping[str, float]:
        """The numbers of the hit."""
        return self.hit.descriptors

    @property
    def session(self) -> str:
        """Where the hit comes from; "" for a file outside."""
        return self.hit.session

    def distances(self, table: HitTable, among: Rows = ALL) -> np.ndarray:
        """How alike every hit of the table is, or those in some rows; float64, shape (n,)."""
        return alike_to(table.spaces, self.alike, self.roles, among)


def query_row(table: HitTable, row: int) -> Query:
    """Search from a hit of the table."""
    spaces, hit = table.spaces, table.hits[row]
    return Query(spaces.alike[row], spaces.roles[row], hit, row)


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
    audio = decode_file(path)
    try:
        measures = measure_audio(audio)
    except ParameterError as err:
        raise AudioError(path, str(err)) from err
    roles = role_probabilities(measures.picture)
    spaces = make_spaces(np.zeros(1, np.int64), measures.picture[None], roles)
    return Query(spaces.alike[0], roles[0], _outside_hit(path, audio, measures, roles[0]))


def _outside_hit(path: Path, audio: Audio, measures: Measures, roles: np.ndarray) -> Hit:
    guess = int(roles.argmax())
    return Hit(
        id=0,
        path=path.absolute(),
        start=measures.start,
        stop=measures.stop,
        sr=audio.sr,
        n_channels=audio.samples.shape[1],
        session="",
        drum="",
        microphone="",
        take="",
        role=ROLES[guess],
        role_confidence=float(roles[guess]),
        role_source="sound",
        descriptors={name: float(value) for name, value in measures.descriptors.items()},
        container=audio.container,
        subtype=audio.subtype,
        content_hash=hash_file(path),
        state="outside",
    )
