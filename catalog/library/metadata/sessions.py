"""Sessions: what was recorded at one place on one day, by rules that are shown; the user decides.

The name comes from what is written in the file, else from the nearest folder that is more than an
instrument. Where one name holds several recording days, each gets its date. A sitting that
passes midnight stays one: days part only where at least `PAUSE_H` hours lie between files.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from catalog.errors import ParameterError
from catalog.library.store.store import Store
from catalog.models import Action, Hit, State

PAUSE_H = 4.0  # hours; a longer pause over a change of date is a night
DATED = " and date"
PARTED = "days_parted_at"  # the revision that days were parted at last
BASE = "session_by_rule"  # in `Hit.origin`: the name before days were parted


@dataclass(frozen=True)
class Session:
    """One session: its name, why it is called so, and its hits.

    Attributes
    ----------
    name : str
    sources : tuple of str, "user", "file", "folder", "file and date", "folder and date"
    dates : tuple of str, yyyy-mm-dd, as recorders wrote them
    n_hits, n_files : int
    """

    name: str
    sources: tuple[str, ...]
    dates: tuple[str, ...]
    n_hits: int
    n_files: int


def list_sessions(store: Store) -> list[Session]:
    """Give all sessions of hits that are here, by name."""
    groups: dict[str, list[Hit]] = {}
    for hit in store.hits.read(states=(State.HERE,)):
        groups.setdefault(hit.session, []).append(hit)
    return [
        Session(
            name,
            tuple(sorted({hit.session_source or "folder" for hit in hits})),
            tuple(sorted({hit.origin["date"] for hit in hits if "date" in hit.origin})),
            len(hits),
            len({hit.path for hit in hits}),
        )
        for name, hits in sorted(groups.items())
    ]


def set_session(store: Store, hit_ids: Sequence[int], name: str) -> None:
    """Say which session hits belong to; "" lets the rules decide again. Scans keep it.

    Raises
    ------
    ParameterError
        if the name is longer than 200 characters or holds control characters
    StoreError
        if a hit is unknown
    """
    name = name.strip()
    if len(name) > 200 or not name.isprintable():
        raise ParameterError("name must be printable and no longer than 200 characters")
    with store.writing() as db:
        for hit_id in dict.fromkeys(hit_ids):
            hit = store.hits.get(hit_id)
            session = name or hit.origin.get(BASE, hit.session)
            source = "user" if name else hit.origin.get("session_source", "folder")
            db.execute(
                "UPDATE hit SET session = ?, session_source = ? WHERE id = ?",
                (session, source, hit.id),
            )
            said = f"{hit.session} -> {session}"
            store.history.add(Action.SESSION, hit.id, source=hit.path, target=hit.path, reason=said)
    if not name:
        split_days(store)


def split_days(store: Store) -> None:
    """Give each day its own session where one name holds several days; once for each revision."""
    if store.database.read_setting(PARTED) != store.revision():
        _part_all(store)
        store.database.save_setting(PARTED, store.revision())


def _part_all(store: Store) -> None:
    groups: dict[str, list[Hit]] = {}
    for hit in store.hits.read(states=(State.HERE, State.HIDDEN)):
        if hit.session_source != "user" and BASE in hit.origin:
            groups.setdefault(hit.origin[BASE], []).append(hit)
    changed = []
    for base, hits in groups.items():
        days = _days(hits)
        for hit in hits:
            day = days.get(hit.id, "") if len(set(days.values())) > 1 else ""
            source = hit.origin.get("session_source", "folder") + (DATED if day else "")
            session = f"{base} {day}" if day else base
            if (session, source) != (hit.session, hit.session_source):
                changed.append((session, source, hit.id))
    if changed:
        with store.writing() as db:
            db.executemany("UPDATE hit SET session = ?, session_source = ? WHERE id = ?", changed)


def _days(hits: Sequence[Hit]) -> dict[int, str]:
    """First date of the sitting for each hit whose recorder wrote a date."""
    dated = sorted((_when(hit), hit.id, hit.origin["date"]) for hit in hits if "date" in hit.origin)
    days: dict[int, str] = {}
    last, day = None, ""
    for when, hit_id, date in dated:
        night = last is None or (date != day and when - last > timedelta(hours=PAUSE_H))
        day = date if night else day
        days[hit_id], last = day, when
    return days


def _when(hit: Hit) -> datetime:
    return datetime.fromisoformat(f"{hit.origin['date']}T{hit.origin.get('time', '12:00:00')}")
