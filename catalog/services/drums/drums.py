"""Suggest which hits are strokes of one drum; name them, or refuse the suggestion."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from catalog.context import Context, check_ids
from catalog.errors import ParameterError
from catalog.library.backup.recover_words import REFUSED
from catalog.library.metadata.given_names import set_names
from catalog.library.store.acts.summaries import describe_hits
from catalog.models import Event, Hit, State
from catalog.search.drums.groups import (
    Candidates,
    DrumGroup,
    Joined,
    find_drum_groups,
    without_refused,
)
from catalog.search.drums.known_drums import learn_drums, read_known_drums

WORDS = """
SELECT hit_id, session, role, damping, iif(region = 0, '', drum) FROM hit_search
WHERE state = ? AND event = ?
"""
MAX_REFUSED = 500  # lists; when there are more, the oldest are dropped


class Drums:
    """Group hits without a drum name by sound.

    Parameters
    ----------
    context : Context
    find_kept : callable, returns the id of the kept hit for each copy
    """

    def __init__(self, context: Context, find_kept: Callable[[], Mapping[int, int]]) -> None:
        self._context = context
        self._find_kept = find_kept
        self._joined: dict[int, Joined] = {}
        self._found: tuple[int, list[DrumGroup]] | None = None  # with the revision of the store

    def groups(self) -> list[DrumGroup]:
        """Return groups of unnamed hits that look like strokes of one drum, the largest first.

        A finished hit counts as named if its session has another stroke of that name, a stroke of a
        take if it has any name. Copies are left out.

        Returns
        -------
        list of DrumGroup, without those that were refused

        Examples
        --------
        >>> all(len(group.hit_ids) > 1 for group in cat.drums.groups())
        True
        """
        revision = self._context.store.revision()
        if self._found is None or self._found[0] != revision:
            self._found = revision, find_drum_groups(self._candidates(), self._joined)
        refused = self._context.store.database.read_setting(REFUSED, [])
        return without_refused(self._found[1], refused)

    def group_of(self, hit_id: int) -> DrumGroup:
        """Return the suggested group that holds a hit.

        Raises
        ------
        ParameterError
            if no suggested group holds it
        """
        (wanted,) = check_ids([hit_id])
        for group in self.groups():
            if wanted in group.hit_ids:
                return group
        raise ParameterError(
            f"hit {wanted} is in no suggested group; `catalog drums --all` lists them"
        )

    def name(self, hit_ids: Sequence[int], name: str, *, damping: str = "") -> list[Hit]:
        """Name the drum of hits, and its damping if that is given, as one act.

        Parameters
        ----------
        hit_ids : sequence of int, a group or the part of it that is one drum
        name : str, not empty
        damping : str, "open", "damped" or ""

        Returns
        -------
        list of Hit, as they are now

        Raises
        ------
        ParameterError
            if the name is empty, too long or no plain text, or the damping is unknown
        StoreError
            if a hit is unknown
        """
        if not name.strip():
            raise ParameterError("the name of the drum is empty: give one, such as “Snare, cloth”")
        given = {"drum": name} | ({"damping": damping} if damping else {})
        store = self._context.store
        named = set_names(store, check_ids(hit_ids), given)
        learn_drums(store, lambda: self._context.table().spaces)
        return named

    def refuse(self, hit_ids: Sequence[int]) -> None:
        """Note that hits are not strokes of one drum: groups of most of them are not suggested."""
        store, ids = self._context.store, check_ids(hit_ids)
        refused = [*store.database.read_setting(REFUSED, []), ids][-MAX_REFUSED:]
        summary = f"{describe_hits(store.database, ids)}: not one drum"
        with store.act("drums", summary), store.writing():
            store.database.save_setting(REFUSED, refused)

    def _candidates(self) -> Candidates:
        context = self._context
        table, known, kept = context.table(), read_known_drums(context.store), self._find_kept()
        found = context.store.database.read(WORDS, (State.HERE, Event.STROKE))
        words = {row[0]: row[1:] for row in found if row[0] not in kept}
        ids = table.hit_ids
        rows = np.array([row for row, i in enumerate(ids.tolist()) if i in words], np.int64)
        chosen = ids[rows].tolist()
        return Candidates(
            hit_ids=ids[rows],
            points=table.spaces.strokes[rows],
            sessions=[words[i][0] for i in chosen],
            roles=[words[i][1] for i in chosen],
            drums=[known[i][1] if i in known else words[i][3] for i in chosen],
            dampings=[words[i][2] for i in chosen],
        )
