"""Drum, microphone, damping and event as the user gave them to hits or to whole takes."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from catalog.errors import ParameterError
from catalog.library.metadata.damping import DAMPED, OPEN
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import update_hit
from catalog.library.store.store import Store
from catalog.library.strokes.damping_vote import refresh_dampings
from catalog.models import EVENTS, Action, Hit, State

FIELDS = ("drum", "microphone", "damping", "event")
DAMPING = (OPEN, DAMPED)
MAX_NAME = 200  # characters


def set_names(
    store: Store, hit_ids: Sequence[int], names: Mapping[str, str], *, whole_take: bool = False
) -> list[Hit]:
    """Set drum, microphone, damping or event of hits, given by field; see `Takes.set_names`."""
    _check(names)
    chosen = [store.hits.get(hit_id) for hit_id in dict.fromkeys(hit_ids)]
    words = ", ".join(f"{field} {name or 'by the file'}" for field, name in names.items())
    summary = f"{describe_hits(store.database, hit_ids)}: {words}"
    with store.act("name", summary), store.writing() as db:
        step = store.history.new_step()
        expanded = _expand(store, chosen, names, whole_take=whole_take)
        for hit, fields in expanded:
            kept = {**hit.names, **fields}
            text = json.dumps({field: name for field, name in kept.items() if name})
            update_hit(db, hit.id, {"names": text})
            changes = [f"{field}: {name or 'by the file'}" for field, name in fields.items()]
            store.history.add_edit(Action.NAME, hit, ", ".join(changes), step=step)
        refresh_dampings(store, [hit.id for hit, _ in expanded])
    return [store.hits.get(hit.id) for hit in chosen]


def _check(names: Mapping[str, str]) -> None:
    for field, name in names.items():
        if field not in FIELDS:
            raise ParameterError(f"names holds {field!r}; known are {', '.join(FIELDS)}")
        if len(name) > MAX_NAME or not name.isprintable():
            raise ParameterError(f"{field} must be printable and at most {MAX_NAME} characters")
    if names.get("damping", "") not in ("", *DAMPING):
        raise ParameterError(f"damping={names['damping']!r} must be 'open', 'damped' or ''")
    if names.get("event", "") not in ("", *EVENTS):
        raise ParameterError(f"event={names['event']!r} must be '' or one of {', '.join(EVENTS)}")


def _expand(
    store: Store, chosen: Sequence[Hit], names: Mapping[str, str], *, whole_take: bool
) -> list[tuple[Hit, dict[str, str]]]:
    """Return every hit that changes, with the names that it gets."""
    clean = {field: " ".join(name.split()) for field, name in names.items()}
    shared = {field: name for field, name in clean.items() if field != "microphone"}
    if not whole_take:
        ids = {mic.hit_id for hit in chosen for mic in hit.microphones} - {hit.id for hit in chosen}
        others = [(store.hits.get(hit_id), shared) for hit_id in sorted(ids) if shared]
        return [*((hit, clean) for hit in chosen), *others]
    files, paths = {(hit.path, hit.channels) for hit in chosen}, {hit.path for hit in chosen}
    takes = {(hit.session, hit.take) for hit in chosen if hit.take}
    changed = []
    states = (State.HERE, State.MISSING, State.HIDDEN)
    for hit in store.hits.read(states=states, microphones=True, noises=True):
        if (hit.path, hit.channels) in files:
            changed.append((hit, clean))
        elif shared and (hit.path in paths or (hit.session, hit.take) in takes):
            changed.append((hit, shared))
    return changed
