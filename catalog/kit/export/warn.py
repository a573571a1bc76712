"""What the person should know before a kit goes out: wrong roles, guesses, missing strengths."""

from __future__ import annotations

from collections.abc import Mapping

from catalog.kit.assemble import Kit
from catalog.kit.layers import layer_warnings, layers_of
from catalog.kit.slots import SLOTS
from catalog.kit.wording import UNSURE
from catalog.library.records import Hit


def kit_warnings(kit: Kit, hits: Mapping[int, Hit]) -> tuple[str, ...]:
    """Say where a kit may not be what it is meant to be.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit

    Returns
    -------
    tuple of str, each beginning with its slot
    """
    lines: list[str] = []
    for slot, ids in kit.slots.items():
        known = [hits[i] for i in dict.fromkeys(ids) if i in hits]
        lines += [line for hit in known[:1] for line in _role(slot, hit, slot in kit.locked)]
        others = [hit for hit in known[1:] if hit.role not in SLOTS[slot].roles]
        if others and known[0].role in SLOTS[slot].roles:
            lines.append(f"{slot}: {len(others)} of its further strokes have another role")
        if known:
            lines += [f"{slot}: {line}" for line in layer_warnings(layers_of(kit, slot, hits))]
    return tuple(lines)


def _role(slot: str, hit: Hit, locked: bool) -> list[str]:
    wanted, role = SLOTS[slot].roles[0], hit.role.replace("_", " ")
    chosen = "the locked hit" if locked else "its hit"
    if hit.role not in SLOTS[slot].roles:
        sure = {"user": "by your word", "name": "by its name"}.get(
            hit.role_source, f"by its sound, {hit.role_confidence:.0%} sure"
        )
        return [f"{slot}: {chosen} {hit.name} is a {role} {sure}, not a {wanted.replace('_', ' ')}"]
    if hit.role_confidence < UNSURE:
        return [f"{slot}: that {hit.name} is a {role} is a guess ({hit.role_confidence:.0%})"]
    return []
