"""Which kept kits need which hits: asked before a file is moved out of the way."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from catalog.kit.model import Kit


def kits_using(kits: Iterable[Kit], hit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Find the kits that hold some of these hits, as main stroke, layer or round robin.

    Parameters
    ----------
    kits : iterable of Kit
    hit_ids : sequence of int

    Returns
    -------
    dict of hit id to names of kits, in alphabetical order; hits in no kit are not in it
    """
    names: dict[int, set[str]] = {}
    for kit in kits:
        for hit_id in {i for ids in kit.slots.values() for i in ids} & set(hit_ids):
            names.setdefault(hit_id, set()).add(kit.name)
    return {hit_id: tuple(sorted(names[hit_id])) for hit_id in hit_ids if hit_id in names}


def say_usage(used: dict[int, tuple[str, ...]]) -> str:
    """Say in one line which hits are needed: "hit 4 is in the kit “evening”"."""
    parts = []
    for hit_id, names in used.items():
        quoted = ", ".join(f"“{name}”" for name in names)
        parts.append(f"hit {hit_id} is in the {'kit' if len(names) == 1 else 'kits'} {quoted}")
    return "; ".join(parts)
