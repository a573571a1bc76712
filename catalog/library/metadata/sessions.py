"""Sessions: what was recorded at one place on one day, named by rules that the user can override.

The name comes from the file's chunks, else from the nearest folder that is more than an instrument.
If files of several days share a name, each day gets its date. A session that passes midnight stays
one: days are split only at a pause of at least `PAUSE_H` hours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

from catalog.audio.metadata.bext import recording_date, recording_time
from catalog.errors import ParameterError
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import update_hit
from catalog.library.store.store import Store
from catalog.models import Action, Hit, State

PAUSE_H = 4.0  # hours; a longer pause across a change of date starts a new session
DATED = " and date"  # ending of `Hit.session_source`
MAX_NAME = 200  # characters
SPLIT_REVISION = "days_parted_at"  # setting: the revision at which days were split last
BASE = "session_by_rule"  # key of `Hit.origin`: the name before days were split


@dataclass(frozen=True)
class Session:
    """One session: its name, the sources of the name, and its size."""

    name: str
    sources: tuple[str, ...]  # "user", "file", "folder", "file and date", "folder and date"
    dates: tuple[str, ...]  # yyyy-mm-dd, as written by the recorder
    n_hits: int
    n_files: int


def list_sessions(store: Store) -> list[Session]:
    """Return all sessions of present hits, by name."""
    groups: dict[str, list[Hit]] = {}
    for hit in store.hits.read(states=(State.HERE,)):
        groups.setdefault(hit.session, []).append(hit)
    return [
        Session(
            name,
            tuple(sorted({hit.session_source or "folder" for hit in hits})),
            tuple(sorted({recording_date(hit.origin) for hit in hits} - {""})),
            len(hits),
            len({mic.path for hit in hits for mic in hit.microphones}),
        )
        for name, hits in sorted(groups.items())
    ]


def set_session(store: Store, hit_ids: Sequence[int], name: str) -> None:
    """Set the session of hits; "" returns to the rules. Later scans keep it.

    Raise `ParameterError` if the name is longer than 200 characters or holds control characters,
    and `StoreError` if a hit is unknown.
    """
    name = name.strip()
    if len(name) > MAX_NAME or not name.isprintable():
        raise ParameterError(f"name must be printable and no longer than {MAX_NAME} characters")
    summary = f"{describe_hits(store.database, hit_ids)}: {name or 'by the rules'}"
    with store.act("session", summary):
        _write_session(store, hit_ids, name)
        if not name:
            split_days(store)


def _write_session(store: Store, hit_ids: Sequence[int], name: str) -> None:
    step = store.history.new_step()
    with store.writing() as db:
        for hit_id in dict.fromkeys(hit_ids):
            hit = store.hits.get(hit_id)
            session = name or hit.origin.get(BASE, hit.session)
            source = "user" if name else hit.origin.get("session_source", "folder")
            for microphone in hit.microphones:
                values = {"session": session, "session_source": source}
                update_hit(db, microphone.hit_id, values)
            reason = f"{hit.session} -> {session}"
            store.history.add_edit(Action.SESSION, hit, reason, step=step)


def split_days(store: Store) -> None:
    """Give each day its own session if one name holds several days; once per revision."""
    if store.database.read_setting(SPLIT_REVISION) != store.revision():
        _split_all(store)
        store.database.save_setting(SPLIT_REVISION, store.revision())


def _split_all(store: Store) -> None:
    groups: dict[str, list[Hit]] = {}
    for hit in store.hits.read(states=(State.HERE, State.HIDDEN), microphones=True, noises=True):
        if hit.session_source != "user" and BASE in hit.origin:
            groups.setdefault(hit.origin[BASE], []).append(hit)
    changed = []
    for base, hits in groups.items():
        days = _first_dates(hits)
        for hit in hits:
            day = days.get(hit.id, "") if len(set(days.values())) > 1 else ""
            source = hit.origin.get("session_source", "folder") + (DATED if day else "")
            session = f"{base} {day}" if day else base
            if (session, source) != (hit.session, hit.session_source):
                changed.append((session, source, hit.id))
    if changed:
        with store.writing() as db:
            db.executemany("UPDATE hit SET session = ?, session_source = ? WHERE id = ?", changed)


def _first_dates(hits: Sequence[Hit]) -> dict[int, str]:
    """Return the first date of the session, by id, for hits whose recorder wrote a date."""
    dated = sorted(
        (when, hit.id, recording_date(hit.origin))
        for hit in hits
        if (when := recording_time(hit.origin)) is not None
    )
    days: dict[int, str] = {}
    last, day = None, ""
    for when, hit_id, date in dated:
        is_new_day = last is None or (date != day and when - last > timedelta(hours=PAUSE_H))
        day = date if is_new_day else day
        days[hit_id], last = day, when
    return days
