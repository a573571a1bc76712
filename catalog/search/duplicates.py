"""Copies: the same recording twice. Distances propose, the samples decide, one hit is kept."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.library.records import Hit
from catalog.library.schema import SavedGroup
from catalog.search.metric import Spaces
from catalog.sound.compare import MIN_CELLS, Agreement, Prepared, compare_hits

N_CANDIDATES = 16  # nearest hits that are looked at for each hit
MAX_DISTANCE = 2.5  # in the stroke space: edited copies lie within 1.2, cut to a third within 2.7
COPY_DB = 15.0  # mean cell score; 3,234 pairs of different strokes of one drum reach 12.7
LATE_DB = 12.0  # after the first 20 ms
FEW_CELLS_DB = 20.0  # asked below `MIN_CELLS`; two strokes of a dull kick reached 15.6 in 12 cells
MIN_CELLS_AT_ALL = 4
WHOLE_DB = 22.0  # over the whole band, where cells are few; strokes of one real drum reach 9.3
DOUBT_DB = 12.0  # from here on a pair that is no sure copy is worth a question by ear
MAX_PREPARED = 2048  # hits kept ready at once, about 230 kB each
CLIP_RUN, CLIP_NEAR_DB = 4, 0.3  # samples in a flat top, dB from full scale
UNSURE = "unsure"  # the relation under which the store keeps pairs that are left open
LOSSY = frozenset({"VORBIS", "OPUS", "MPEG_LAYER_I", "MPEG_LAYER_II", "MPEG_LAYER_III"})
BITS = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "FLOAT": 25,
    "DOUBLE": 25,
}


@dataclass(frozen=True)
class CopyGroup:
    """One recording that is there more than once.

    Attributes
    ----------
    keep : int, id of the hit proposed to be kept
    others : tuple of int, ids of its copies, each verified against `keep`
    evidence : tuple of float, one for each of `others`
        share of the sound that the two have in common, 0 to 1; 1.0 for equal bytes
    reason : str, why that one is kept, such as "kept: 24-bit, 0.8 s more tail"
    """

    keep: int
    others: tuple[int, ...]
    evidence: tuple[float, ...]
    reason: str


def candidate_pairs(spaces: Spaces, *, n_candidates: int = N_CANDIDATES) -> np.ndarray:
    """Pairs of rows near enough to be compared by their samples.

    Parameters
    ----------
    spaces : Spaces
    n_candidates : int, nearest hits looked at for each hit

    Returns
    -------
    np.ndarray, int, shape (n_pairs, 2), first below second, each pair once, sorted
    """
    from sklearn.neighbors import NearestNeighbors

    n = len(spaces.hit_ids)
    if n < 2:
        return np.zeros((0, 2), int)
    index = NearestNeighbors(n_neighbors=min(n_candidates + 1, n), algorithm="brute")
    distances, rows = index.fit(spaces.strokes).kneighbors(spaces.strokes)
    near = distances <= MAX_DISTANCE
    first = np.repeat(np.arange(n), near.sum(axis=1))
    second = rows[near]
    pairs = np.stack([np.minimum(first, second), np.maximum(first, second)], axis=1)
    return np.unique(pairs[pairs[:, 0] != pairs[:, 1]], axis=0)


def is_copy(agreement: Agreement) -> bool:
    """Whether two recordings agree so far that they must be one; unsure counts as no."""
    if agreement.n_cells < MIN_CELLS:
        if agreement.whole_db >= WHOLE_DB:
            return True
        return agreement.n_cells >= MIN_CELLS_AT_ALL and agreement.score_db >= FEW_CELLS_DB
    return agreement.score_db >= COPY_DB and not agreement.late_db < LATE_DB


def is_doubtful(agreement: Agreement) -> bool:
    """Whether the samples leave it open that two recordings are one."""
    whole_db = 0.0 if np.isnan(agreement.whole_db) else agreement.whole_db
    return not is_copy(agreement) and max(agreement.score_db, whole_db) >= DOUBT_DB


def group_copies(
    hits: Sequence[Hit],
    spaces: Spaces,
    prepare: Callable[[Hit], Prepared | None],
    *,
    on_pair: Callable[[int, int], None] | None = None,
    on_doubt: Callable[[int, int, float], None] | None = None,
) -> list[CopyGroup]:
    """Find all groups.

    Parameters
    ----------
    hits : sequence of Hit, in the order of the rows of `spaces`
    spaces : Spaces
    prepare : callable, gives the samples of a hit ready to be compared, None if they are gone
    on_pair : callable, told the number of pairs done and of all pairs
    on_doubt : callable, told two ids and the evidence where the samples leave it open

    Returns
    -------
    list of CopyGroup, in the order of the ids kept
    """
    equal = _same_bytes(hits)
    cache = _Cache(prepare)
    found: dict[tuple[int, int], float] = dict.fromkeys(equal, 1.0)
    pairs = candidate_pairs(spaces)
    for done, (a, b) in enumerate(map(tuple, pairs.tolist())):
        if (a, b) not in found and (agreement := _agree(cache, hits, a, b)) is not None:
            if is_copy(agreement):
                found[a, b] = share_in_common(agreement)
            elif on_doubt is not None and is_doubtful(agreement):
                on_doubt(hits[a].id, hits[b].id, share_in_common(agreement))
        if on_pair is not None:
            on_pair(done + 1, len(pairs))
    groups = []
    for rows in _connected(found):
        groups += _verified_groups(hits, cache, found, rows)
    return sorted(groups, key=lambda group: group.keep)


def _same_bytes(hits: Sequence[Hit]) -> list[tuple[int, int]]:
    """Chain hits of equal content and region: each with the first of them."""
    first: dict[tuple[str, int, int], int] = {}
    pairs = []
    for row, hit in enumerate(hits):
        at = first.setdefault(_region(hit), row)
        if at != row:
            pairs.append((at, row))
    return pairs


def _region(hit: Hit) -> tuple[str, int, int]:
    return hit.content_hash, hit.start, hit.stop


class _Cache:
    """Prepared hits, the oldest dropped first."""

    def __init__(self, prepare: Callable[[Hit], Prepared | None]) -> None:
        self._prepare = prepare
        self._kept: dict[int, Prepared | None] = {}

    def get(self, hit: Hit) -> Prepared | None:
        if hit.id not in self._kept:
            if len(self._kept) >= MAX_PREPARED:
                self._kept.pop(next(iter(self._kept)))
            self._kept[hit.id] = self._prepare(hit)
        return self._kept[hit.id]


def _agree(cache: _Cache, hits: Sequence[Hit], a: int, b: int) -> Agreement | None:
    first, second = cache.get(hits[a]), cache.get(hits[b])
    return None if first is None or second is None else compare_hits(first, second)


def _verify(cache: _Cache, hits: Sequence[Hit], a: int, b: int) -> float | None:
    agreement = _agree(cache, hits, a, b)
    if agreement is None or not is_copy(agreement):
        return None
    return share_in_common(agreement)


def share_in_common(agreement: Agreement) -> float:
    """Share of the sound that two recordings have in common, 0 to 1."""
    return float(1.0 - 10.0 ** (-agreement.score_db / 10.0))


def _connected(found: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Sets of rows that hang together by pairs."""
    parent: dict[int, int] = {}

    def root(row: int) -> int:
        while parent.setdefault(row, row) != row:
            parent[row] = parent[parent[row]]
            row = parent[row]
        return row

    for a, b in found:
        parent[root(b)] = root(a)
    sets: dict[int, list[int]] = {}
    for row in sorted(parent):
        sets.setdefault(root(row), []).append(row)
    return list(sets.values())


def _verified_groups(
    hits: Sequence[Hit], cache: _Cache, found: dict[tuple[int, int], float], rows: list[int]
) -> list[CopyGroup]:
    """Split a set so that each member is verified against the one that is kept."""
    groups = []
    left = sorted(rows, key=lambda row: keep_order(hits[row]))
    while len(left) > 1:
        keep, rest = left[0], left[1:]
        members: list[tuple[int, float]] = []
        for row in rest:
            pair = (min(keep, row), max(keep, row))
            if _region(hits[keep]) == _region(hits[row]):
                evidence: float | None = found.get(pair, 1.0)
            else:
                evidence = found.get(pair) or _verify(cache, hits, *pair)
            if evidence is not None:
                members.append((row, evidence))
        if members:
            members.sort(key=lambda member: hits[member[0]].id)
            others = tuple(hits[row].id for row, _ in members)
            reason = keep_reason(hits[keep], [hits[row] for row, _ in members])
            groups.append(CopyGroup(hits[keep].id, others, tuple(e for _, e in members), reason))
        taken = {row for row, _ in members}
        left = [row for row in rest if row not in taken]
    return groups


def _is_clipped(hit: Hit) -> bool:
    run, peak_db = hit.descriptors.get("clip_run", 0.0), hit.descriptors["peak_db"]
    return run >= CLIP_RUN and abs(peak_db) < CLIP_NEAR_DB


def _looks_copied(hit: Hit) -> bool:
    return re.search(r"\(\d+\)$|\bcopy\b|\bkopie\b", hit.name, re.IGNORECASE) is not None


def keep_order(hit: Hit) -> tuple[float, ...]:
    """Sort key, the best first: lossless, not clipped, width, rate, tail, noise floor, name, age.

    Parameters
    ----------
    hit : Hit

    Returns
    -------
    tuple of float
    """
    floor = hit.descriptors.get("floor_db", 0.0)
    return (
        float(hit.subtype in LOSSY),
        float(_is_clipped(hit)),
        -float(BITS.get(hit.subtype, 0)),
        -float(hit.sr),
        -round(hit.descriptors.get("tail_s", 0.0), 1),
        round(floor) if np.isfinite(floor) else 0.0,
        float(_looks_copied(hit)),
        float(hit.id),
    )


def keep_reason(keep: Hit, others: Sequence[Hit]) -> str:
    """Say what the kept hit has over the best of the others.

    Parameters
    ----------
    keep : Hit
    others : sequence of Hit, at least one

    Returns
    -------
    str, such as "kept: 24-bit, 0.8 s more tail"
    """
    other = min(others, key=keep_order)
    reasons = []
    if keep.subtype not in LOSSY and other.subtype in LOSSY:
        reasons.append("not lossy")
    if not _is_clipped(keep) and _is_clipped(other):
        reasons.append("not clipped")
    if keep.sr > other.sr:
        reasons.append(f"{keep.sr / 1000:g} kHz")
    if BITS.get(keep.subtype, 0) > BITS.get(other.subtype, 0):
        reasons.append("float" if BITS[keep.subtype] == 25 else f"{BITS[keep.subtype]}-bit")
    tail = keep.descriptors.get("tail_s", 0.0) - other.descriptors.get("tail_s", 0.0)
    floor = other.descriptors.get("floor_db", np.nan) - keep.descriptors.get("floor_db", np.nan)
    if tail >= 0.05:
        reasons.append(
            f"{tail:.1f} s more tail" if tail >= 0.1 else f"{1000 * tail:.0f} ms more tail"
        )
    if floor >= 1.0:
        reasons.append(f"noise floor {floor:.0f} dB lower")
    if _looks_copied(other) and not _looks_copied(keep):
        reasons.append("the other's name is a copy's")
    return "kept: " + (
        ", ".join(reasons) if reasons else "the first found; nothing tells them apart"
    )


def groups_to_rows(groups: Sequence[CopyGroup]) -> list[SavedGroup]:
    """Turn groups into what the store keeps; the reason is made anew from the hits."""
    return [
        (g.keep, tuple((o, "copy", e) for o, e in zip(g.others, g.evidence, strict=True)))
        for g in groups
    ]


def groups_from_rows(rows: Sequence[SavedGroup], hits: Mapping[int, Hit]) -> list[CopyGroup]:
    """Turn what the store kept back into groups."""
    groups = []
    for keep, others in rows:
        others = tuple(other for other in others if other[1] != UNSURE)
        ids = tuple(other for other, _, _ in others)
        if not ids:
            continue
        reason = keep_reason(hits[keep], [hits[i] for i in ids])
        groups.append(CopyGroup(keep, ids, tuple(e for _, _, e in others), reason))
    return groups
