"""The faults of hits in the store, and which of them the user has dismissed."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass

from catalog.errors import ParameterError
from catalog.features.faults import FAULT_KINDS, Fault
from catalog.library.store.acts.summaries import describe_hits
from catalog.library.store.database import now_utc
from catalog.library.store.store import Store
from catalog.models import Hit

KIND_ORDER = {kind: i for i, kind in enumerate(FAULT_KINDS)}
# Roles whose sound holds several onsets, so a second one is no fault: common practice, no source.
MULTI_ONSET_ROLES = ("shaker", "tambourine", "clap")


@dataclass(frozen=True)
class HitFault:
    """One fault of one hit."""

    hit_id: int
    kind: str  # a key of `catalog.features.faults.FAULT_KINDS`
    label: str  # name of the kind for display
    value: float  # in `unit`; its meaning is in `FAULT_KINDS[kind].meaning`
    unit: str
    at_s: float  # seconds from the start of the measured file
    length_s: float
    weight: float  # from 0.2 (minor) to 1 (unusable stroke)
    channel: int  # from 0; -1 for all channels
    dismissed: bool  # the user marked it as no fault
    hz: float = 0.0  # frequency of the mains for hum; 0 for other kinds


SORT_KEYS: dict[str, Callable[[HitFault], tuple[float, ...]]] = {
    "weight": lambda f: (-f.weight, KIND_ORDER[f.kind], f.hit_id, f.at_s),
    "kind": lambda f: (KIND_ORDER[f.kind], -f.weight, f.hit_id, f.at_s),
    "hit": lambda f: (f.hit_id, -f.weight, KIND_ORDER[f.kind], f.at_s),
}


def read_faults(
    store: Store,
    *,
    hit_ids: Collection[int] | None = None,
    kinds: Collection[str] = (),
    least_weight: float = 0.0,
    dismissed: bool = False,
    sort: str = "weight",
) -> list[HitFault]:
    """Return the faults of hits whose files are present and that are not hidden.

    None for `hit_ids` and an empty `kinds` mean all; `dismissed` includes dismissed faults; `sort`
    is "weight" (heaviest first), "kind" or "hit". Raise `ParameterError` if a kind or the order is
    unknown.
    """
    for kind in kinds:
        check_kind(kind)
    if sort not in SORT_KEYS:
        raise ParameterError(f"sort={sort!r} is unknown; known are {', '.join(SORT_KEYS)}")
    faults = [
        fault
        for fault in _read_all(store)
        if (hit_ids is None or fault.hit_id in hit_ids)
        and fault.weight >= least_weight
        and (not kinds or fault.kind in kinds)
        and (dismissed or not fault.dismissed)
    ]
    return sorted(faults, key=SORT_KEYS[sort])


def _read_all(store: Store) -> Iterator[HitFault]:
    dismissed = set(store.database.read("SELECT hit_id, content_hash, kind FROM fault_dismissed"))
    rows = store.database.read(
        "SELECT hit_id, content_hash, role, found FROM fault JOIN hit ON hit.id = hit_id"
        " WHERE state = 'here' AND NOT hidden AND found != '[]'"
    )
    for hit_id, content_hash, role, found in rows:
        for fault in (Fault(*values) for values in json.loads(found)):
            is_expected = fault.kind == "second" and role in MULTI_ONSET_ROLES
            if fault.kind in FAULT_KINDS and not is_expected:
                kind = FAULT_KINDS[fault.kind]
                yield HitFault(
                    hit_id, fault.kind, kind.label, fault.value, kind.unit, fault.at_s,
                    fault.length_s, fault.weight, fault.channel,
                    (hit_id, content_hash, fault.kind) in dismissed, fault.hz,
                )  # fmt: skip


def replace_take_faults(
    store: Store, hits: Sequence[Hit], hit_id: int, faults: Sequence[Fault]
) -> None:
    """Store the faults of one microphone in a whole take with one of its strokes.

    Those of an earlier measurement are deleted from all of its strokes, which are `hits`.
    """
    ids = [hit.id for hit in hits]
    rows = dict(store.database.read_by_id("SELECT hit_id, found FROM fault WHERE hit_id IN", ids))
    changed = {}
    for of_hit, text in rows.items():
        before = [Fault(*values) for values in json.loads(text)]
        after = [fault for fault in before if not _is_of_take(fault)]
        if of_hit == hit_id:
            after = sorted([*after, *faults], key=lambda fault: -fault.weight)
        if after != before:
            changed[of_hit] = json.dumps([list(fault) for fault in after])
    with store.writing(changes_hits=bool(changed)) as db:
        db.executemany("UPDATE fault SET found = ? WHERE hit_id = ?", [
            (text, of_hit) for of_hit, text in changed.items()
        ])  # fmt: skip


def _is_of_take(fault: Fault) -> bool:
    """Return whether a fault of a file with one microphone concerns its whole take."""
    return fault.kind in ("polarity", "silent") and fault.channel < 0


def dismiss_faults(
    store: Store, hit_ids: Collection[int], kind: str, *, dismissed: bool = True
) -> None:
    """Mark faults of one kind as none, or remove the mark; it holds until the content changes.

    Raise `ParameterError` if the kind is unknown, and `StoreError` if a hit is.
    """
    check_kind(kind)
    summary = f"{kind} of {describe_hits(store.database, list(hit_ids))}"
    verb = "dismiss" if dismissed else "take back dismissal"
    with store.act(verb, summary), store.writing(changes_hits=False) as db:
        for hit_id in hit_ids:
            key = (int(hit_id), store.hits.get(hit_id).content_hash, kind)
            sql = "DELETE FROM fault_dismissed WHERE hit_id = ? AND content_hash = ? AND kind = ?"
            db.execute(sql, key)
            if dismissed:
                db.execute("INSERT INTO fault_dismissed VALUES (?, ?, ?, ?)", (*key, now_utc()))


def check_kind(kind: str) -> None:
    """Raise `ParameterError` if a kind of fault is unknown."""
    if kind not in FAULT_KINDS:
        raise ParameterError(f"kind={kind!r} is unknown; known are {', '.join(FAULT_KINDS)}")
