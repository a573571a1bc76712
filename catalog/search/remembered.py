"""Copies from the store and the samples, then as the user heard them."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from catalog.errors import ParameterError
from catalog.library.records import Hit, Progress
from catalog.library.store import Store
from catalog.library.verdicts import prefer_hit, preferred_hits, read_verdicts
from catalog.search.by_ear import Doubt, apply_preference, apply_verdicts, open_doubts
from catalog.search.duplicates import (
    UNSURE,
    CopyGroup,
    group_copies,
    groups_from_rows,
    groups_to_rows,
    is_copy,
    share_in_common,
)
from catalog.search.table import HitTable
from catalog.sound.compare import Prepared, compare_hits

Prepare = Callable[[Hit], Prepared | None]
OnProgress = Callable[[Progress], None]


def find_copies(
    store: Store, table: HitTable, prepare: Prepare, on_progress: OnProgress | None = None
) -> list[CopyGroup]:
    """Find all groups, once for each state of the library, and apply what the user said.

    Parameters
    ----------
    store : Store
    table : HitTable
    prepare : callable, gives a hit ready to be compared, None if its samples are gone
    on_progress : callable, optional

    Returns
    -------
    list of CopyGroup, in the order of the ids kept
    """
    groups, doubts = _from_samples(store, table, prepare, on_progress)
    hits = {hit.id: hit for hit in table.hits}
    groups = apply_verdicts(groups, doubts, hits, read_verdicts(store))
    preferred = set(preferred_hits(store))
    if not preferred:
        return groups

    def verify(first: Hit, second: Hit) -> float | None:
        a, b = prepare(first), prepare(second)
        agreement = compare_hits(a, b) if a is not None and b is not None else None
        return share_in_common(agreement) if agreement and is_copy(agreement) else None

    chosen = [apply_preference(group, hits, preferred, verify) for group in groups]
    return sorted((group for group in chosen if group.others), key=lambda group: group.keep)


def find_doubts(store: Store, table: HitTable, prepare: Prepare) -> list[Doubt]:
    """Find the pairs that the samples leave open and that nobody has decided yet.

    Parameters
    ----------
    store, table, prepare : see `find_copies`

    Returns
    -------
    list of Doubt, the likeliest copies first
    """
    groups, doubts = _from_samples(store, table, prepare, None)
    hits, verdicts = {hit.id: hit for hit in table.hits}, read_verdicts(store)
    return open_doubts(doubts, apply_verdicts(groups, doubts, hits, verdicts), hits, verdicts)


def keep_instead(store: Store, groups: Sequence[CopyGroup], hit: Hit) -> None:
    """Remember that a hit is to stay instead of the one that its group proposes.

    Parameters
    ----------
    store : Store
    groups : sequence of CopyGroup
    hit : Hit

    Raises
    ------
    ParameterError
        if the hit is in no group
    """
    for group in groups:
        members = {group.keep, *group.others}
        if hit.id in members:
            prefer_hit(store, hit.id, over=members - {hit.id})
            return
    raise ParameterError(f"hit {hit.id} ({hit.name}) is in no group of copies")


def _from_samples(
    store: Store, table: HitTable, prepare: Prepare, on_progress: OnProgress | None
) -> tuple[list[CopyGroup], list[Doubt]]:
    """Groups and open pairs as the samples say; remembered for what the library holds."""
    saved = store.saved_copies()
    if saved is not None and saved[1] == table.sound_key:
        rows = saved[0]
        unsure = [(a, b, e) for a, others in rows for b, what, e in others if what == UNSURE]
        groups = groups_from_rows(rows, {hit.id: hit for hit in table.hits})
        return groups, [Doubt(*one) for one in unsure]
    tell = on_progress or (lambda _: None)
    doubts: list[Doubt] = []
    groups = group_copies(
        table.hits,
        table.spaces,
        prepare,
        on_pair=lambda done, total: tell(Progress("comparing", done, total)),
        on_doubt=lambda a, b, evidence: doubts.append(Doubt(a, b, evidence)),
    )
    open_pairs = [(d.first, ((d.second, UNSURE, d.evidence),)) for d in doubts]
    store.save_copies([*groups_to_rows(groups), *open_pairs], revision=table.sound_key)
    return groups, doubts
