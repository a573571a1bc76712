"""Find the strokes with several microphones and store them, after each scan that changed hits."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence

from catalog.library.metadata.roles import split_words, word_set
from catalog.library.store.database import update_hit
from catalog.library.store.store import Store
from catalog.library.strokes.damping_vote import write_dampings
from catalog.library.strokes.represent import Preferences, choose_hit, ids_in_kits, read_chosen
from catalog.library.strokes.ties import tie_strokes
from catalog.library.strokes.vote import drum_by_track, same_roles, stroke_role, vote_on_strokes
from catalog.models import Event, Hit, State

TIED_REVISION = "settled_revision"  # setting: revision of the store when its strokes were tied
BOUNCES = word_set("mono stereo")  # versions of one recording, not microphones
ArrivalRow = tuple[float | None, int | None, float | None]  # delay in frames, polarity, spread
# Of the table `microphone`.
Row = tuple[int, int, float | None, int | None, float | None, float | None]


def tie_stored_strokes(store: Store, *, always: bool = False) -> bool:
    """Tie the microphones of each stroke in the store, and give them one role and one damping.

    Nothing is done if the store has not changed since, unless `always`; return whether it was.
    """
    if not always and store.database.read_setting(TIED_REVISION) == store.revision():
        return False
    states = (State.HERE, State.HIDDEN)
    hits = store.hits.read(states=states, microphones=True, noises=True)
    arrivals = _read_arrivals(store)
    delays = {hit_id: delay for hit_id, (delay, *_) in arrivals.items()}
    preferences = Preferences(read_chosen(store), ids_in_kits(store), delays)
    strokes = []
    for group in find_strokes(hits):
        main = choose_hit(group, preferences)
        strokes.append([main, *(hit for hit in group if hit.id != main.id)])
    with store.writing(changes_hits=False):
        _write_rows(store, [row for stroke in strokes for row in _to_rows(stroke, arrivals)])
        _write_roles(store, strokes)
        _write_events(store, strokes)
        tied = {hit.id for stroke in strokes for hit in stroke}
        alone = ([hit] for hit in hits if hit.id not in tied)
        write_dampings(store, [*strokes, *alone], delays)
        store.database.save_setting(TIED_REVISION, store.revision())
    return True


def find_strokes(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Return the microphones of each stroke that has several, one hit for each microphone.

    Ties that level or arrival time contradict are left out, and so are further copies of a
    microphone: they are hits of their own.
    """
    strokes = []
    for state in (State.HERE, State.HIDDEN):
        by_id = {hit.id: hit for hit in hits if hit.state == state and not _is_bounce(hit)}
        for tie in tie_strokes(list(by_id.values())):
            group = _one_per_microphone([by_id[hit_id] for hit_id in tie.hits])
            if len(group) > 1 and not tie.against:
                strokes.append(group)
    return strokes


def _is_bounce(hit: Hit) -> bool:
    words = split_words(hit.microphone)
    return bool(words) and all(word in BOUNCES for word in words)


def _one_per_microphone(hits: Sequence[Hit]) -> list[Hit]:
    """Keep one hit for each microphone, from the folder that holds most of them."""
    folders = Counter(hit.path.parent for hit in hits)
    found: dict[tuple[str, str], Hit] = {}
    for hit in sorted(hits, key=lambda hit: (-folders[hit.path.parent], hit.id)):
        found.setdefault((hit.drum.casefold(), hit.microphone.casefold()), hit)
    return sorted(found.values(), key=lambda hit: hit.id)


def _to_rows(stroke: Sequence[Hit], arrivals: Mapping[int, ArrivalRow]) -> list[Row]:
    """Return the rows of one stroke; its first hit stands for it."""
    loudness = [hit.descriptors.get("loudness_lkfs", math.nan) for hit in stroke]
    loudest = max((level for level in loudness if math.isfinite(level)), default=0.0)
    rows: list[Row] = []
    for hit, level in zip(stroke, loudness, strict=True):
        level_db = round(level - loudest, 2) if math.isfinite(level) else None
        delay, polarity, spread = arrivals.get(hit.id, (None, None, None))
        rows.append((hit.id, stroke[0].id, delay, polarity, level_db, spread))
    return rows


def _read_arrivals(store: Store) -> dict[int, ArrivalRow]:
    sql = "SELECT hit_id, delay_samples, polarity, spread_samples FROM microphone"
    return {hit_id: tuple(arrival) for hit_id, *arrival in store.database.read(sql)}


def _write_rows(store: Store, rows: Sequence[Row]) -> None:
    sql = "SELECT m.* FROM microphone m JOIN hit h ON h.id = m.hit_id WHERE h.state = 'here'"
    if set(rows) == set(map(tuple, store.database.read(sql))):
        return
    with store.writing() as db:
        db.execute(
            "DELETE FROM microphone WHERE hit_id IN"
            " (SELECT id FROM hit WHERE state = 'here' AND channels = '')"
        )
        db.executemany("INSERT OR REPLACE INTO microphone VALUES (?, ?, ?, ?, ?, ?)", rows)
        db.execute("UPDATE revision SET value = value + 1")


def _write_roles(store: Store, strokes: Sequence[Sequence[Hit]]) -> None:
    """Store the vote on the roles of strokes, and drums by tracks, in all their microphones."""
    ids = [hit.id for stroke in strokes for hit in stroke]
    rows = dict(zip(ids, store.hits.role_probabilities(ids), strict=True))
    changed = False
    with store.writing(changes_hits=False) as db:
        for stroke, votes in zip(strokes, vote_on_strokes(strokes, rows), strict=True):
            role, values = stroke_role(stroke, votes), dict[str, object]()
            if not same_roles(stroke, role):
                values = {"role": role.role, "role_confidence": float(role.confidence)}
                values |= {"role_source": role.source}
            drum = drum_by_track(stroke[0], role.role)
            if drum is not None and any(h.drum != drum and "drum" not in h.names for h in stroke):
                values["drum"] = drum
            for hit in stroke if values else ():
                changed = True
                update_hit(db, hit.id, values)
        if changed:
            db.execute("UPDATE revision SET value = value + 1")


def _write_events(store: Store, strokes: Sequence[Sequence[Hit]]) -> None:
    """Give all microphones of a stroke the event that most of them hold, else a stroke.

    What the user called it stays.
    """
    differing = [
        stroke
        for stroke in strokes
        if len({hit.event for hit in stroke}) > 1 and not any("event" in h.names for h in stroke)
    ]
    if not differing:
        return
    with store.writing() as db:
        for stroke in differing:
            events = [hit.event for hit in stroke]
            most = max(set(events), key=events.count)
            event = most if 2 * events.count(most) > len(events) else Event.STROKE
            for hit in stroke:
                update_hit(db, hit.id, {"event": event})
