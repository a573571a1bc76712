"""The drums that names show, and the space learned from them, as the store keeps it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from catalog.library.store.records.cache import Learned
from catalog.library.store.store import Store
from catalog.models import State
from catalog.search.coordinates import projection_version
from catalog.search.drums.drum_space import DrumSpace, learn_drum_space
from catalog.search.spaces import Spaces

PART = "drum space"  # of what the store keeps
N_OTHERS = 2000  # hits that show the spread of all drums, evenly spaced
# Strokes of takes are left out unless the user named their drum: a take may hold several drums.
NAMED_DRUMS = f"""
SELECT hit_id, session, drum FROM hit_search WHERE state = '{State.HERE}' AND drum != ''
AND event = 'stroke' AND (region = 0 OR hit_id IN (SELECT id FROM hit
    WHERE names != '{{}}' AND json_valid(names) AND json_extract(names, '$.drum') != ''))
"""


def read_known_drums(store: Store) -> dict[int, tuple[str, str]]:
    """Return session and name of the drum of each hit that has several strokes by name."""
    rows = store.database.read(NAMED_DRUMS)
    counts: dict[tuple[str, str], int] = {}
    for _, session, drum in rows:
        counts[session, drum] = counts.get((session, drum), 0) + 1
    return {hit_id: (session, drum) for hit_id, session, drum in rows if counts[session, drum] > 1}


def learn_drums(store: Store, read_spaces: Callable[[], Spaces]) -> None:
    """Learn the drum space from the names of drums, and store it or that they show nothing.

    Nothing is done if the store has not changed since, or is read-only.

    Parameters
    ----------
    store : Store
    read_spaces : callable, returns the spaces of the present hits with the shipped stroke space
    """
    version, revision = projection_version(), store.revision()
    before = store.learned.read(PART, version)
    if store.database.is_read_only or (before and before.values["revision"] == revision):
        return
    space = _learn(store, read_spaces())
    values: dict[str, float] = {"revision": revision}
    if space is not None:
        values |= {"n_drums": space.n_drums, "n_strokes": space.n_strokes, "gain": space.gain}
    axes = np.zeros((0, 0), np.float32) if space is None else space.axes
    store.learned.save(PART, version, Learned(values, axes))


def _learn(store: Store, spaces: Spaces) -> DrumSpace | None:
    known = read_known_drums(store)
    rows = np.flatnonzero(np.isin(spaces.hit_ids, list(known)))
    if not len(rows):
        return None
    names = [known[hit_id] for hit_id in spaces.hit_ids[rows].tolist()]
    numbers = {name: n for n, name in enumerate(dict.fromkeys(names))}
    drums = np.array([numbers[name] for name in names])
    step = max(1, len(spaces.hit_ids) // N_OTHERS)
    return learn_drum_space(spaces.strokes[rows], drums, spaces.strokes[::step])


def read_drum_space(store: Store) -> DrumSpace | None:
    """Return the drum space that was learned last; None if there is none."""
    learned = store.learned.read(PART, projection_version())
    if learned is None or not learned.points.size:
        return None
    values = learned.values
    return DrumSpace(learned.points, values["n_drums"], values["n_strokes"], values["gain"])


def with_drum_space(spaces: Spaces, space: DrumSpace | None) -> Spaces:
    """Return spaces whose stroke space is the one that was learned, if there is one."""
    if space is None or not len(spaces.strokes):
        return spaces
    return replace(spaces, strokes=np.asfortranarray(spaces.strokes @ space.axes))
