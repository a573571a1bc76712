"""Saved kits that use certain hits, to be checked before a file is moved."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from catalog.kit.model import Kit


def kits_using(kits: Iterable[Kit], hit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Find the kits that use each hit, as main stroke, layer or round robin.

    Parameters
    ----------
    kits : iterable of Kit
    hit_ids : sequence of int

    Returns
    -------
    dict of hit id to names of kits, in alphabetical order; hits in no kit are left out
    """
    names: dict[int, set[str]] = {}
    for kit in kits:
        for hit_id in {i for ids in kit.slots.values() for i in ids} & set(hit_ids):
            names.setdefault(hit_id, set()).add(kit.name)
    return {hit_id: tuple(sorted(names[hit_id])) for hit_id in hit_ids if hit_id in names}


def describe_usage(usage: Mapping[int, Sequence[str]]) -> str:
    """Return the result of `kits_using` in one line: "hit 4 is in the kit “evening”"."""
    parts = []
    for hit_id, names in usage.items():
        quoted = ", ".join(f"“{name}”" for name in names)
        parts.append(f"hit {hit_id} is in the {'kit' if len(names) == 1 else 'kits'} {quoted}")
    return "; ".join(parts)
