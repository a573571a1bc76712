"""What can be done to the kit on the table, one act at a time, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from catalog.catalog import Catalog
from catalog.errors import CatalogError, KitError
from catalog.kit import velocities as arrange
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit
from catalog.web.kit_session.session import Draft, in_order, open_draft
from catalog.web.labels import slot_word

Act = Mapping[str, Any]
N_CHOICES = 4  # whole kits offered by one filling


def _judged(catalog: Catalog, kit: Kit) -> Kit:
    """Say anew how all hits fit; a kit with hits that are gone keeps what was said."""
    try:
        return catalog.kits.score(kit) if kit.slots else replace(kit, why={}, score=0.0)
    except KitError:
        return kit


def _assign(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    """Put a hit into a place; it leaves the place that it had, and what lay there goes."""
    slot, hit = act["slot"], catalog.hit(act["id"])
    for other in [name for name, ids in kit.slots.items() if hit.id in ids and name != slot]:
        kit = arrange.drop_stroke(kit, other, hit.id)
    kit = arrange.clear_slot(kit, slot)
    kit = replace(kit, slots={**kit.slots, slot: (hit.id,)}, locked=kit.locked | {slot})
    return _judged(catalog, in_order(kit))


def _lock(_: Catalog, kit: Kit, act: Act) -> Kit:
    return replace(kit, locked=kit.locked ^ {act["slot"]})


def _swap(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return catalog.kits.swap(kit, act["slot"])


def _back(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return catalog.kits.swap_back(kit, act["slot"])


def _clear(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return _judged(catalog, arrange.clear_slot(kit, act["slot"]))


def _add(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return arrange.add_stroke(kit, act["slot"], catalog.hit(act["id"]).id)


def _drop(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return _judged(catalog, arrange.drop_stroke(kit, act["slot"], act["id"]))


def _main(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return _judged(catalog, arrange.choose_main(kit, act["slot"], act["id"]))


def _move(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    slot, hit_id = act["slot"], act["id"]
    if hit_id not in kit.slots.get(slot, ()):
        kit = _add(catalog, kit, act)
    hits = catalog.hits_by_id(kit.slots[slot])
    apart = bool(act.get("apart"))
    return arrange.move_stroke(kit, slot, hit_id, int(act["layer"]), hits=hits, apart=apart)


def _keep(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    if act["slot"] in kit.arranged:
        return arrange.sort_by_strength(kit, act["slot"])
    hits = catalog.hits_by_id(kit.slots.get(act["slot"], ()))
    return arrange.keep_layers(kit, act["slot"], hits=hits)


def _strokes(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    """Give one place the other strokes of its drum."""
    slot = act["slot"]
    alone = catalog.kits.add_layers(arrange.sort_by_strength(kit, slot))
    return replace(kit, slots={**kit.slots, slot: alone.slots[slot]})


def other_strokes(catalog: Catalog, slot: str) -> list[Hit]:
    """Give the strokes of a place's drum that are not in the kit, weakest first; no copies."""
    kit = open_draft(catalog).kit
    if not kit.slots.get(slot):
        return []
    used = {i for ids in kit.slots.values() for i in ids}
    alone = catalog.kits.add_layers(Kit(slots={slot: kit.slots[slot][:1]}))
    return [catalog.hit(i) for i in alone.slots[slot] if i not in used]


def _level(_: Catalog, kit: Kit, act: Act) -> Kit:
    return kit.with_level(act["slot"], float(act["level_db"]))


def _tune(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    return _judged(catalog, kit.with_tuning(act["slot"], float(act["semitones"])))


# What is done to one place: how, and in which words it is taken back.
CHANGES: Mapping[str, tuple[Callable[[Catalog, Kit, Act], Kit], str]] = {
    "assign": (_assign, "put a hit into {}"),
    "lock": (_lock, "lock or unlock {}"),
    "swap": (_swap, "next best for {}"),
    "back": (_back, "the one before for {}"),
    "clear": (_clear, "take {} out"),
    "add": (_add, "add a stroke to {}"),
    "drop": (_drop, "take a stroke out of {}"),
    "main": (_main, "choose the main stroke of {}"),
    "move": (_move, "move a stroke of {}"),
    "keep": (_keep, "keep or free the layers of {}"),
    "level": (_level, "level of {}"),
    "tune": (_tune, "tune {}"),
    "strokes": (_strokes, "add the other strokes of {}"),
}


def change_kit(catalog: Catalog, kit: Kit, act: Act) -> Kit:
    """Give the kit with one place changed.

    Parameters
    ----------
    catalog : Catalog
    kit : Kit
    act : mapping
        "op", a key of `CHANGES`; "slot"; where the change needs them "id", "layer", "apart",
        "level_db", "semitones"

    Returns
    -------
    Kit

    Raises
    ------
    CatalogError
        if the hit is unknown, no other fits, or the act is not understood
    """
    found = CHANGES.get(str(act.get("op")))
    if found is None or act.get("slot") not in SLOTS:
        raise KitError(f"op={act.get('op')!r} of slot {act.get('slot')!r} is not known")
    try:
        return found[0](catalog, kit, act)
    except (KeyError, TypeError, ValueError) as err:
        if isinstance(err, CatalogError):
            raise
        raise KitError(f"{act['op']}: something is missing ({err})") from err


def fill_rest(catalog: Catalog, draft: Draft, wanted: Sequence[str]) -> None:
    """Fill the places that are not locked and remember the other whole kits that would do.

    Locked places keep their strokes; the others get theirs if the kit had any before.

    Raises
    ------
    KitError
        if a place is unknown or nothing can fill it
    """
    kit = draft.kit
    locked = {slot: kit.slots[slot][0] for slot in kit.locked if kit.slots.get(slot)}
    slots = list(dict.fromkeys([*locked, *wanted]))
    found = catalog.kits.fill_several(locked, slots, n=N_CHOICES)
    choices = [_as_before(catalog, kit, one) for one in found]
    draft.put(choices[0], "fill the rest")
    draft.choices = [in_order(one) for one in choices]
    draft.revision += 1  # the choices may be new where the kit is not


def _as_before(catalog: Catalog, before: Kit, filled: Kit) -> Kit:
    """Give a filled kit the name of the one before, and the strokes of its locked places."""
    slots = {s: before.slots[s] if s in filled.locked else ids for s, ids in filled.slots.items()}
    arranged = {s: layers for s, layers in before.arranged.items() if s in filled.locked}
    kit = replace(
        filled,
        name=before.name,
        slots=slots,
        arranged=arranged,
        level_db={s: db for s, db in before.level_db.items() if s in filled.locked},
        tuning_semitones={s: n for s, n in before.tuning_semitones.items() if s in filled.locked},
    )
    had_layers = any(len(ids) > 1 for ids in before.slots.values())
    return catalog.kits.add_layers(kit) if had_layers else kit


def take_act(catalog: Catalog, act: Act) -> Draft:
    """Do one act to the kit on the table and keep it in the store.

    Parameters
    ----------
    catalog : Catalog
    act : mapping
        "op": a key of `CHANGES`, or "undo", "redo", "anew", "fill" (with "places"), "choose"
        (with "k"), "layers", "open" (with "name")

    Returns
    -------
    Draft

    Raises
    ------
    CatalogError
        if it cannot be done; the kit stays as it was
    """
    draft = open_draft(catalog)
    with draft.lock:
        op = act.get("op")
        if op in ("undo", "redo"):
            draft.step(-1 if op == "undo" else 1)
        elif op == "fill":
            fill_rest(catalog, draft, [str(slot) for slot in act.get("places", ())])
        elif op == "choose":
            _choose(catalog, draft, act.get("k"))
        elif op == "anew":
            draft.put(Kit(name=""), "start anew")
            draft.choices = []
        elif op == "layers":
            draft.put(catalog.kits.add_layers(draft.kit), "add the other strokes of each drum")
        elif op == "open":
            _open(catalog, draft, str(act.get("name", "")))
        else:
            kit = change_kit(catalog, draft.kit, act)
            draft.put(kit, CHANGES[str(op)][1].format(slot_word(str(act["slot"])).lower()))
        catalog.kits.save_draft(draft.to_text())
        return draft


def _choose(catalog: Catalog, draft: Draft, k: Any) -> None:
    if not isinstance(k, int) or not 0 <= k < len(draft.choices):
        raise KitError("no such kit is offered; fill the rest again")
    draft.put(_as_before(catalog, draft.kit, draft.choices[k]), f"take whole kit {k + 1}")


def _open(catalog: Catalog, draft: Draft, name: str) -> None:
    kept = next((kit for kit in catalog.kits.saved() if kit.name == name), None)
    if kept is None:
        raise KitError(f"no kit is named {name!r}")
    draft.put(kept, f"open {name}")
    draft.choices = []
