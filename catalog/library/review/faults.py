"""The faults of hits in the store, and those that the user has said to be none."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from catalog.errors import ParameterError, StoreError
from catalog.features.faults import KINDS, Fault
from catalog.library.store.database import Database, now_utc

SORTS = ("weight", "kind", "hit")
# Many strokes by nature: what comes after the first is no fault there. Common practice, no source.
MANY_STROKES = ("shaker", "tambourine", "clap")


@dataclass(frozen=True)
class HitFault:
    """One fault of one hit.

    Attributes
    ----------
    hit_id : int
    kind : str, a key of `catalog.features.faults.KINDS`
    label : str, the kind as a person calls it
    value : float, in `unit`; what it says is in `KINDS[kind].meaning`
    unit : str
    at_s, length_s : float, seconds, from the start of the file that was measured
    weight : float, 0.2 for worth a look to 1 for a spoiled stroke
    channel : int, counted from 0; -1 where it concerns all
    dismissed : bool, the user said that it is none
    """

    hit_id: int
    kind: str
    label: str
    value: float
    unit: str
    at_s: float
    length_s: float
    weight: float
    channel: int
    dismissed: bool


def write_faults(db: sqlite3.Connection, hit_id: int, faults: Sequence[Fault]) -> None:
    """Keep the faults of one hit in place of those before, within a transaction."""
    found = json.dumps([list(fault) for fault in faults])
    db.execute("INSERT OR REPLACE INTO fault VALUES (?, ?)", (hit_id, found))


def read_faults(
    store: Database,
    *,
    hit_ids: Collection[int] | None = None,
    kinds: Collection[str] = (),
    least_weight: float = 0.0,
    dismissed: bool = False,
    sort: str = "weight",
) -> list[HitFault]:
    """Give the faults of hits that are here.

    Parameters
    ----------
    store : Database
    hit_ids : collection of int, optional, only these hits; None is all
    kinds : collection of str, only these kinds; empty is all
    least_weight : float, 0 to 1
    dismissed : bool, also those that were dismissed
    sort : str, "weight" (heaviest first), "kind" or "hit"

    Returns
    -------
    list of HitFault

    Raises
    ------
    ParameterError
        if a kind or the order is unknown
    """
    for kind in kinds:
        check_kind(kind)
    if sort not in SORTS:
        raise ParameterError(f"sort={sort!r} is unknown; known are {', '.join(SORTS)}")
    gone = set(store.read("SELECT hit_id, content_hash, kind FROM fault_dismissed"))
    rows = store.read(
        "SELECT hit_id, content_hash, role, found FROM fault JOIN hit ON hit.id = hit_id"
        " WHERE state = 'here' AND NOT hidden AND found != '[]'"
    )
    faults = [
        HitFault(
            hit_id, fault.kind, KINDS[fault.kind].label, fault.value, KINDS[fault.kind].unit,
            fault.at_s, fault.length_s, fault.weight, fault.channel,
            (hit_id, content, fault.kind) in gone,
        )
        for hit_id, content, role, found in rows
        if hit_ids is None or hit_id in hit_ids
        for fault in (Fault(*values) for values in json.loads(found))
        if fault.kind in KINDS and not (fault.kind == "second" and role in MANY_STROKES)
    ]  # fmt: skip
    kept = [
        fault
        for fault in faults
        if fault.weight >= least_weight
        and (not kinds or fault.kind in kinds)
        and (dismissed or not fault.dismissed)
    ]
    order = {kind: i for i, kind in enumerate(KINDS)}
    keys = {
        "weight": lambda f: (-f.weight, order[f.kind], f.hit_id, f.at_s),
        "kind": lambda f: (order[f.kind], -f.weight, f.hit_id, f.at_s),
        "hit": lambda f: (f.hit_id, -f.weight, order[f.kind], f.at_s),
    }
    return sorted(kept, key=keys[sort])


def dismiss_faults(
    store: Database, hit_ids: Collection[int], kind: str, *, dismissed: bool = True
) -> None:
    """Remember for good that what was found is no fault; a changed file is judged anew.

    Parameters
    ----------
    store : Database
    hit_ids : collection of int
    kind : str
    dismissed : bool, False takes it back

    Raises
    ------
    ParameterError
        if the kind is unknown
    StoreError
        if a hit is unknown
    """
    check_kind(kind)
    with store.writing(changes_hits=False) as db:
        for hit_id in hit_ids:
            sql = "SELECT content_hash FROM hit WHERE id = ?"
            known = db.execute(sql, (int(hit_id),)).fetchone()
            if known is None:
                raise StoreError(f"hit {hit_id} is not in this store")
            key = (int(hit_id), known[0], kind)
            db.execute(
                "DELETE FROM fault_dismissed WHERE hit_id = ? AND content_hash = ? AND kind = ?",
                key,
            )
            if dismissed:
                db.execute("INSERT INTO fault_dismissed VALUES (?, ?, ?, ?)", (*key, now_utc()))


def check_kind(kind: str) -> None:
    """Raise `ParameterError` if there is no such kind of fault."""
    if kind not in KINDS:
        raise ParameterError(f"kind={kind!r} is unknown; known are {', '.join(KINDS)}")
