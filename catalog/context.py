"""The context that all services share: the open store, its table of hits, and decoding."""

from __future__ import annotations

import contextlib
import json
import operator
import threading
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import ParameterError, StoreError
from catalog.library.store.store import Store
from catalog.library.takes.overrides import decode_mixed_hit
from catalog.models import Hit, State
from catalog.search.drums.drum_pitch import DrumPitch, estimate_drum_pitches
from catalog.search.drums.drum_space import DrumSpace
from catalog.search.drums.known_drums import read_drum_space, with_drum_space
from catalog.search.drums.stored_pitches import DrumPitches
from catalog.search.drums.strength import estimate_missing_strengths
from catalog.search.spaces import Spaces
from catalog.search.table import HitTable, read_table

IN_SESSIONS = (  # in the narrow table, because the rows of hits are wide
    "id IN (SELECT hit_id FROM hit_search WHERE session IN (SELECT value FROM json_each(?)))"
)
MAX_SEED = 2**32 - 1  # largest seed of the map layout


def check_ids(hit_ids: Any) -> list[int]:
    """Return numbers of hits as a list; raise `ParameterError` if they are none."""
    if not isinstance(hit_ids, Iterable) or isinstance(hit_ids, str):
        raise ParameterError(f"hit_ids={hit_ids!r} must be numbers of hits, such as [42]")
    try:
        return [operator.index(hit_id) for hit_id in hit_ids]
    except TypeError as err:
        raise ParameterError(
            f"{list(hit_ids)!r} must be whole numbers of hits, such as 42"
        ) from err


class Context:
    """The open store with its current table of hits; safe to use from several threads.

    Parameters
    ----------
    store : Store
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._table: HitTable | None = None
        self._microphone_table: HitTable | None = None
        self._drum_spaces: tuple[Spaces, DrumSpace | None, Spaces] | None = None
        self._drum_pitches: tuple[int, dict[int, DrumPitch]] | None = None
        self._pitches_of_drums: tuple[int, DrumPitches] | None = None
        self._lock = threading.RLock()

    def table(self) -> HitTable:
        """Return the table of present hits; it is read again only after a change."""
        with self._lock:
            self._table = read_table(self.store, self._table)
            return self._table

    def microphone_table(self) -> HitTable:
        """Return the table of present hits with each microphone of a stroke as a row."""
        with self._lock:
            if not self.store.database.read("SELECT 1 FROM microphone LIMIT 1"):
                return self.table()
            known = self._microphone_table
            self._microphone_table = read_table(self.store, known, microphones=True)
            return self._microphone_table

    def drum_spaces(self, table: HitTable) -> Spaces:
        """Return the stroke space of a table as learned from the library's drums.

        Without known drums it is that of the table. The other spaces have no columns.
        """
        with self._lock:
            learned, known = read_drum_space(self.store), self._drum_spaces
            shipped = table.coordinates.strokes
            if known is None or known[0] is not shipped or not _is_same(known[1], learned):
                made = with_drum_space(shipped, learned)
                known = self._drum_spaces = shipped, learned, made
            return known[2]

    def drum_pitches(self) -> dict[int, DrumPitch]:
        """Return the pitch of the drum of each present hit that has a clear one.

        It is measured from all microphones of all strokes, again only after a change.
        """
        with self._lock:
            revision = self.store.revision()  # first: what is written meanwhile makes it stale
            if self._drum_pitches is None or self._drum_pitches[0] != revision:
                pitches = estimate_drum_pitches(self.hits(microphones=True))
                self._drum_pitches = revision, pitches
            return self._drum_pitches[1]

    def drum_pitches_of(self, hits: Sequence[Hit]) -> dict[int, DrumPitch]:
        """Return the pitches of the drums of some present hits, and perhaps of others.

        Only the strokes of their drums are read, see `catalog.search.drums.stored_pitches`.
        """
        with self._lock:
            revision = self.store.revision()
            if self._drum_pitches is not None and self._drum_pitches[0] == revision:
                return self._drum_pitches[1]
            if self._pitches_of_drums is None or self._pitches_of_drums[0] != revision:
                self._pitches_of_drums = revision, DrumPitches(self.store.database)
            return self._pitches_of_drums[1].of(hits)

    def hits(
        self,
        states: Sequence[str] = (State.HERE,),
        *,
        microphones: bool = False,
        noises: bool = False,
    ) -> list[Hit]:
        """Return all hits in any of `states`, ordered by id; see `Catalog.hits`."""
        return self.store.hits.read(states=states, microphones=microphones, noises=noises)

    def hits_in_order(self, hit_ids: Sequence[int]) -> list[Hit]:
        """Return hits by id, in the given order; ids that are not in the store are left out."""
        return self.store.hits.read_ids(hit_ids)

    def hits_of_session(self, session: str) -> list[Hit]:
        """Return the present hits of one session, each microphone of a stroke, by id."""
        ids = self.store.hits.ids(IN_SESSIONS, (json.dumps([session]),), microphones=True)
        return self.store.hits.read_ids(ids.tolist())

    def hit(self, hit_id: int) -> Hit:
        """Return one hit in any state.

        Raises
        ------
        StoreError
            if the id is unknown
        ParameterError
            if it is no whole number
        """
        return self.store.hits.get(check_ids([hit_id])[0])

    def hits_by_id(self, hit_ids: Iterable[int], *, skip_unknown: bool = False) -> dict[int, Hit]:
        """Return hits by id, with the estimated strength where their level does not show it.

        Parameters
        ----------
        hit_ids : iterable of int
        skip_unknown : bool, leave out ids that are not in the store

        Raises
        ------
        StoreError
            if a hit is unknown
        """
        found: dict[int, Hit] = {}
        for hit_id in hit_ids:
            with contextlib.suppress(*(StoreError,) if skip_unknown else ()):
                found[hit_id] = self.hit(hit_id)
        return self.estimate_missing_strengths(found)

    def estimate_missing_strengths(self, hits: dict[int, Hit]) -> dict[int, Hit]:
        """Return the same hits, with an estimated strength for drums that were normalized.

        Parameters
        ----------
        hits : dict of id to Hit

        Returns
        -------
        dict of id to Hit, in the same order; see `catalog.search.drums.strength`
        """
        estimated = estimate_missing_strengths(
            hits.values(),
            self.table().hits,
            embeddings=self.store.hits.embeddings,
            production=self.store.hits.production,
        )
        return {hit_id: estimated.get(hit_id, hit) for hit_id, hit in hits.items()}

    def read(self, hit: Hit) -> Audio:
        """Decode the stroke of a hit, mixed as set for its file.

        Raises
        ------
        AudioError
            if the file is missing or damaged
        """
        return decode_mixed_hit(self.store, hit)


def _is_same(first: DrumSpace | None, second: DrumSpace | None) -> bool:
    """Return whether two learned spaces are equal."""
    if first is None or second is None:
        return first is second
    return np.array_equal(first.axes, second.axes)


def check_seed(seed: int) -> None:
    """Raise `ParameterError` if a seed is not between 0 and `MAX_SEED`."""
    if not 0 <= seed <= MAX_SEED:
        raise ParameterError(f"seed={seed} must be between 0 and {MAX_SEED}")
