"""One damping for all microphones of a stroke: by the user, by names, or as in its take."""

from __future__ import annotations

import json
from collections.abc import Hashable, Iterator, Mapping, Sequence
from functools import lru_cache

from catalog.library.metadata.damping import (
    DAMPING_WORDS,
    VOTED,
    damping_from_words,
    own_damping,
)
from catalog.library.metadata.roles import ROLE_WORDS, split_words
from catalog.library.store.database import update_hit
from catalog.library.store.store import Store
from catalog.library.strokes.represent import nearness
from catalog.models import Hit

# Sessions of those hits on whose damping other hits may decide, or did so.
VOTED_SESSIONS = f"""
SELECT DISTINCT session FROM hit WHERE id IN (SELECT value FROM json_each(?))
AND (region != 0 OR take != '' OR id IN (SELECT hit_id FROM microphone)
OR instr(origin, '{VOTED}'))"""
OF_SESSIONS = """
SELECT hit_id FROM hit_search WHERE session IN (SELECT value FROM json_each(?))
AND state IN ('here', 'hidden')"""


def vote_on_dampings(strokes: Sequence[Sequence[Hit]]) -> list[str]:
    """Return the damping of strokes: "open", "damped" or "".

    What the user gave to any microphone comes first, then the words of the microphones of the
    stroke, then what the names of other strokes of the same take and drum agree in.

    Parameters
    ----------
    strokes : sequence of sequences of Hit
        the microphones of each stroke, the nearest one first; strokes of a take are to be together
    """
    by_take: dict[Hashable, set[str]] = {}
    for hits in strokes:
        named = damping_from_words(_names(_of_one_drum(hits)))
        for key in _takes(hits) if named else ():
            by_take.setdefault(key, set()).add(named)
    found = []
    for hits in strokes:
        own = _of_one_drum(hits)
        tags = [" ".join(hit.tags) for hit in own]
        given = next(filter(None, (hit.names.get("damping", "") for hit in hits)), "")
        damping = given or damping_from_words((*tags, *_names(own)))
        if not damping:
            others = set().union(*(by_take.get(key, ()) for key in _takes(hits)))
            damping = others.pop() if len(others) == 1 else ""
        found.append(damping)
    return found


def _names(hits: Sequence[Hit]) -> list[str]:
    """Return the names of files, then those of their folders."""
    return [*(hit.path.stem for hit in hits), *(hit.path.parent.name for hit in hits)]


def _of_one_drum(hits: Sequence[Hit]) -> list[Hit]:
    """Return the microphones whose files are not named after another drum than the nearest one's.

    In a take of a whole kit, the file of the damped snare also holds the strokes of the kick.
    """
    nearest = _plain_words(hits[0].drum)
    return [hit for hit in hits if not _are_two_drums(nearest, _plain_words(hit.drum))]


def _are_two_drums(a: frozenset[str], b: frozenset[str]) -> bool:
    are_named = not (ROLE_WORDS.keys().isdisjoint(a) or ROLE_WORDS.keys().isdisjoint(b))
    return are_named and not (a <= b or b <= a)


@lru_cache(maxsize=4096)
def _plain_words(drum: str) -> frozenset[str]:
    """Return the words of a drum without those of its damping."""
    return frozenset(word for word in split_words(drum) if word not in DAMPING_WORDS)


def _takes(hits: Sequence[Hit]) -> Iterator[Hashable]:
    """Yield the files and the numbered takes that a stroke is in, each with its drum."""
    drum = _plain_words(hits[0].drum)
    for hit in hits:
        if hit.region:
            yield hit.path, drum
        if hit.take:
            yield hit.session, hit.take, drum


def write_dampings(
    store: Store, strokes: Sequence[Sequence[Hit]], delays: Mapping[int, float | None]
) -> None:
    """Store the vote on the damping of strokes, in each hit that does not show it by itself.

    `delays` are those of the hits after the earliest microphone of their stroke, in frames.
    """
    ordered = [
        sorted(hits, key=lambda hit: nearness(hit, delays.get(hit.id))) if len(hits) > 1 else hits
        for hits in strokes
        if len(hits) > 1 or _may_differ(hits[0])
    ]
    changed = [
        (hit, voted)
        for hits, damping in zip(ordered, vote_on_dampings(ordered), strict=True)
        for hit in hits
        if (voted := None if damping == own_damping(hit) else damping) != hit.origin.get(VOTED)
    ]
    if not changed:
        return
    with store.writing() as db:
        for hit, voted in changed:
            origin = {key: text for key, text in hit.origin.items() if key != VOTED}
            origin |= {} if voted is None else {VOTED: voted}
            update_hit(db, hit.id, {"origin": json.dumps(origin)})
        db.execute("UPDATE revision SET value = value + 1")


def _may_differ(hit: Hit) -> bool:
    """Return whether other hits may decide on the damping of a hit, or did so."""
    return bool(hit.tied or hit.region or hit.take or VOTED in hit.origin)


def refresh_dampings(store: Store, hit_ids: Sequence[int]) -> None:
    """Vote again on the damping in the sessions of hits whose names or tags changed."""
    listed = json.dumps(list(map(int, hit_ids)))
    sessions = [row[0] for row in store.database.read(VOTED_SESSIONS, (listed,))]
    if not sessions:
        return
    ids = {row[0] for row in store.database.read(OF_SESSIONS, (json.dumps(sessions),))}
    ids |= set(json.loads(listed))  # also those whose file is missing
    hits = store.hits.read_ids(sorted(ids))
    mics = {mic.hit_id: mic for hit in hits for mic in hit.microphones}
    strokes: dict[int, list[Hit]] = {}
    for hit in [*hits, *store.hits.read_ids(sorted(mics.keys() - ids))]:
        strokes.setdefault(hit.stroke, []).append(hit)
    delays = {hit_id: mic.delay_samples for hit_id, mic in mics.items()}
    write_dampings(store, list(strokes.values()), delays)
