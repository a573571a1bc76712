"""Counts that are printed before a long list: by kind, session and drum."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

from catalog.cli.table import table_lines

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit

MAX_ROWS = 10  # of one table of counts; the others are added up


def count_lines(word: str, counts: Mapping[str, int], *, unit: str = "hits") -> list[str]:
    """Return a table of counts, the largest first; all beyond `MAX_ROWS` are one row."""
    ordered = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    rows = [[str(n), name or "-"] for name, n in ordered[:MAX_ROWS]]
    if rest := ordered[MAX_ROWS:]:
        rows.append([str(sum(n for _, n in rest)), f"{len(rest)} others"])
    return table_lines((unit, word), rows, right=frozenset({unit})) if rows else []


def place_lines(cat: Catalog, hits: Sequence[Hit], *, unit: str) -> list[str]:
    """Return counts of hits by session and by drum."""
    short = cat.search.session_names()
    sessions = Counter(short.get(hit.session, hit.session) for hit in hits)
    drums = Counter(
        f"{hit.drum or hit.role} ({short.get(hit.session, hit.session)})" for hit in hits
    )
    return [
        *count_lines("session", sessions, unit=unit),
        "",
        *count_lines("drum", drums, unit=unit),
    ]


def hits_of(cat: Catalog, ids: Iterable[int]) -> list[Hit]:
    """Return a hit for each id, the same one as often as its id occurs."""
    ids = list(ids)
    found = {hit.id: hit for hit in cat.context.hits_in_order(list(dict.fromkeys(ids)))}
    return [found[hit_id] for hit_id in ids if hit_id in found]
