"""Put files that were set aside back into a store that has lost them or is new."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from catalog.library.files.aside_journal import AsideEntry, list_files, read_entries
from catalog.library.metadata.filename import find_provenance
from catalog.library.metadata.role_model import role_probabilities
from catalog.library.metadata.roles import combine_role, role_from_name
from catalog.library.scan.workers import Task, measure_file, measure_task
from catalog.library.store.acts.log import FILE
from catalog.library.store.database import path_to_db, update_hit
from catalog.library.store.ingest import FoundFile, MeasuredFile, write_file
from catalog.library.store.store import Store
from catalog.models import Action, State
from catalog.reports import HistoryEvent

RECOVER, SUMMARY = "recover", "files set aside that the store did not hold"
UNKNOWN_ORIGIN = "the journal does not record where it came from; move it back by hand"


@dataclass(frozen=True)
class RecoverResult:
    """What was recovered from the journal, and what could not be."""

    events: tuple[HistoryEvent, ...]  # one for each hit that is in the store again
    left: tuple[tuple[Path, str], ...]  # files that are not, and why


def recover_aside(store: Store) -> RecoverResult:
    """Store every file that is set aside and that the store does not hold.

    The journal in the folder gives the original path; the content must be what was set aside.
    """
    entries = read_entries(store.aside_folder)
    held = {row[0] for row in store.database.read("SELECT aside FROM hit WHERE state = 'aside'")}
    events: list[HistoryEvent] = []
    left: list[tuple[Path, str]] = []
    lost = [name for name in list_files(store.aside_folder) if name not in held]
    step = store.history.new_step() if lost else 0
    for name in lost:
        place = store.aside_folder / name
        if name not in entries:
            left.append((place, UNKNOWN_ORIGIN))
            continue
        found = FoundFile(str(place), str(place.parent), *_size_and_time(place))
        outcome = measure_task(Task(found), measure_file)
        if outcome.measured is None:
            reason = f"{outcome.reason}; it was at {entries[name].home}"
            left.append((place, reason))
            continue
        events += _store_aside(store, outcome.measured, entries[name], step)
    return RecoverResult(tuple(events), tuple(left))


def _size_and_time(path: Path) -> tuple[int, int]:
    stat = path.stat()
    return stat.st_size, stat.st_mtime_ns


def _store_aside(
    store: Store, file: MeasuredFile, entry: AsideEntry, step: int
) -> list[HistoryEvent]:
    """Write the hits of a file under its path in the folder, then give them their original path."""
    place, root = file.file.path, str(entry.home.parent)
    embeddings = np.stack([stroke.embedding for stroke in file.strokes])
    shares = np.asarray(role_probabilities(embeddings), np.float32)
    by_name = role_from_name(str(entry.home), root=root)
    roles = tuple(combine_role(by_name, row) for row in shares)
    provenance = find_provenance(str(entry.home), root=root)
    file = replace(file, provenance=provenance, roles=roles, role_probabilities=shares)
    reason = f"{entry.reason} (recovered; set aside {entry.time_utc})".strip()
    with store.writing() as db:
        write_file(db, file)
        rows = db.execute("SELECT id FROM hit WHERE path = ?", (path_to_db(place),)).fetchall()
        for (hit_id,) in rows:
            values = {"path": path_to_db(entry.home), "state": State.ASIDE, "aside": entry.aside}
            update_hit(db, hit_id, values)
            states = (State.HERE, State.ASIDE)
            store.acts.record_state(FILE, hit_id, states, act=step, verb=RECOVER, summary=SUMMARY)
        return [
            store.history.add(
                Action.SET_ASIDE, hit_id,
                source=entry.home, target=Path(place), reason=reason, step=step,
            )
            for (hit_id,) in rows
        ]  # fmt: skip
