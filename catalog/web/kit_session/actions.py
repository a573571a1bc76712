"""Actions of the page on the kit that is being built, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from catalog.catalog import Catalog
from catalog.errors import CatalogError, KitError
from catalog.kit import velocities
from catalog.kit.fill.options import FillOptions
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.models import Hit
from catalog.web.kit_session.session import KitSession, sorted_slots
from catalog.web.labels import slot_word

Action = Mapping[str, Any]
N_CHOICES = 4  # whole kits offered each time the rest is filled


def _scored(catalog: Catalog, kit: Kit) -> Kit:
    """Score the kit again; a kit with missing hits keeps its score and reasons."""
    try:
        return catalog.kits.score(kit) if kit.slots else replace(kit, why={}, score=0.0)
    except KitError:
        return kit


def _assign(catalog: Catalog, kit: Kit, action: Action) -> Kit:
    """Put a hit into a slot in place of what was there; it leaves its slot before.

    Raise `KitError` if the slot is locked and holds another hit.
    """
    slot, hit = action["slot"], catalog.hit(action["id"])
    if slot in kit.locked and kit.slots.get(slot) and hit.id not in kit.slots[slot]:
        raise KitError(f"{slot_word(slot)} is locked; unlock it to put another hit there")
    for other in [name for name, ids in kit.slots.items() if hit.id in ids and name != slot]:
        kit = velocities.drop_stroke(kit, other, hit.id)
    kit = velocities.clear_slot(kit, slot)
    kit = replace(kit, slots={**kit.slots, slot: (hit.id,)}, locked=kit.locked | {slot})
    return sorted_slots(kit)


def _add(catalog: Catalog, kit: Kit, action: Action) -> Kit:
    return velocities.add_stroke(kit, action["slot"], catalog.hit(action["id"]).id)


def _move(catalog: Catalog, kit: Kit, action: Action) -> Kit:
    slot, hit_id = action["slot"], action["id"]
    if hit_id not in kit.slots.get(slot, ()):
        kit = _add(catalog, kit, action)
    hits = catalog.hits_by_id(kit.slots[slot])
    apart = bool(action.get("apart"))
    return velocities.move_stroke(
        kit, slot, hit_id, layer=int(action["layer"]), hits=hits, apart=apart
    )


def _keep(catalog: Catalog, kit: Kit, action: Action) -> Kit:
    if action["slot"] in kit.arranged:
        return velocities.sort_by_strength(kit, action["slot"])
    hits = catalog.hits_by_id(kit.slots.get(action["slot"], ()))
    return velocities.keep_layers(kit, action["slot"], hits=hits)


def _add_strokes(catalog: Catalog, kit: Kit, action: Action) -> Kit:
    """Add the other strokes of its drum to one slot."""
    slot = action["slot"]
    alone = catalog.kits.add_layers(velocities.sort_by_strength(kit, slot))
    return replace(kit, slots={**kit.slots, slot: alone.slots[slot]})


def other_strokes(session: KitSession, slot: str) -> list[Hit]:
    """Return the strokes of a slot's drum that are not in the kit, softest first; no copies."""
    kit, catalog = session.kit, session.catalog
    if not kit.slots.get(slot):
        return []
    used = {i for ids in kit.slots.values() for i in ids}
    alone = catalog.kits.add_layers(Kit(slots={slot: kit.slots[slot][:1]}))
    return [catalog.hit(i) for i in alone.slots[slot] if i not in used]


# Changes of one slot: the label of its undo step, and the function.
CHANGES: Mapping[str, tuple[str, Callable[[Catalog, Kit, Action], Kit]]] = {
    "assign": ("put a hit into {}", _assign),
    "lock": ("lock or unlock {}", lambda _, kit, a: replace(kit, locked=kit.locked ^ {a["slot"]})),
    "swap": ("next best for {}", lambda catalog, kit, a: catalog.kits.swap(kit, a["slot"])),
    "back": ("previous hit for {}", lambda catalog, kit, a: catalog.kits.swap_back(kit, a["slot"])),
    "clear": ("remove {}", lambda _, kit, a: velocities.clear_slot(kit, a["slot"])),
    "add": ("add a stroke to {}", _add),
    "drop": (
        "remove a stroke from {}",
        lambda _, kit, a: velocities.drop_stroke(kit, a["slot"], a["id"]),
    ),
    "main": (
        "choose the main stroke of {}",
        lambda _, kit, a: velocities.choose_main(kit, a["slot"], a["id"]),
    ),
    "move": ("move a stroke of {}", _move),
    "keep": ("fix or free the layers of {}", _keep),
    "level": ("level of {}", lambda _, kit, a: kit.with_level(a["slot"], float(a["level_db"]))),
    "tune": ("tune {}", lambda _, kit, a: kit.with_tuning(a["slot"], float(a["semitones"]))),
    "strokes": ("add the other strokes of {}", _add_strokes),
}
SCORED = frozenset({"assign", "clear", "drop", "main", "tune"})  # after which the kit is scored

# Actions that mean another change if the kit is not the one that is shown. All others are applied
# to whatever the kit is now.
RELATIVE = frozenset({"undo", "redo", "choose", "lock", "keep"})


def _change_slot(session: KitSession, action: Action) -> None:
    op, slot = str(action.get("op")), str(action.get("slot"))
    if op not in CHANGES or slot not in SLOTS:
        raise KitError(f"op={op!r} of slot {slot!r} is not known")
    label, change = CHANGES[op]
    kit = change(session.catalog, session.kit, action)
    kit = _scored(session.catalog, kit) if op in SCORED else kit
    session.put(kit, label.format(slot_word(slot).lower()))


def fill_rest(session: KitSession, wanted: Sequence[str], *, place: str = "") -> None:
    """Fill the slots that are not locked and offer the other whole kits that fit.

    Locked slots keep their strokes; the others get layers if the kit had any before, and rather
    hold drums with several strokes.

    Parameters
    ----------
    wanted : sequence of str
        slots; those for which no hit is left stay empty. Without any, the usual slots are filled,
        each with a drum of its own
    place : str, the only session to fill them from; "" for all

    Raises
    ------
    KitError
        if a slot is unknown or nothing can fill it
    ParameterError
        if the session has no hits
    """
    kit, catalog = session.kit, session.catalog
    locked = {slot: kit.slots[slot][0] for slot in kit.locked if kit.slots.get(slot)}
    slots = list(dict.fromkeys([*locked, *wanted])) if wanted else None
    options = FillOptions(sessions=(place,) if place else (), layers=True)
    found = _fill_what_can_be(catalog, locked, slots, options)
    choices = [_with_locked_slots(catalog, kit, filled) for filled in found]
    session.put(choices[0], "fill the rest")
    session.offer([sorted_slots(choice) for choice in choices])


def _fill_what_can_be(
    catalog: Catalog, locked: Mapping[str, int], slots: Sequence[str] | None, options: FillOptions
) -> list[Kit]:
    """Return kits without the slots for which no hit is left; `KitError` if none can be filled."""
    try:
        return catalog.kits.fill_several(locked, slots, n=N_CHOICES, options=options)
    except KitError as err:
        left = [slot for slot in slots or () if slot != err.slot]
        if err.slot not in SLOTS or err.slot in locked or not left:
            raise
    return _fill_what_can_be(catalog, locked, left, options)


def _with_locked_slots(catalog: Catalog, before: Kit, filled: Kit) -> Kit:
    """Give a filled kit the name of the one before, and the strokes of its locked slots."""
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


def apply_action(session: KitSession, action: Action) -> None:
    """Apply one action and save the session.

    Parameters
    ----------
    session : KitSession
    action : mapping
        "op", a key of `WHOLE_KIT` or `CHANGES`; for the latter "slot"; where it needs them "id",
        "layer", "apart", "level_db", "semitones", "slots", "k", "name"; "tab" and "revision" are
        the tab that sends it and the revision that it shows

    Raises
    ------
    CatalogError
        if it cannot be done or is not understood, or if it is one of `RELATIVE` and another tab has
        changed the kit; the kit stays as it was
    """
    tab, op = str(action.get("tab", "")), str(action.get("op"))

    def apply() -> None:
        if op in RELATIVE:
            session.check_is_shown(action.get("revision"), tab=tab)
        try:
            WHOLE_KIT.get(op, _change_slot)(session, action)
        except CatalogError:
            raise
        except (KeyError, TypeError, ValueError) as err:
            raise KitError(f"{op}: a value is missing or invalid ({err})") from err

    session.change(apply, tab=tab)


def _start_new(session: KitSession) -> None:
    session.put(Kit(name=""), "start over")
    session.choices = []


def _add_layers(session: KitSession) -> None:
    kit = session.catalog.kits.add_layers(session.kit)
    session.put(kit, "add the other strokes of each drum")


def _choose(session: KitSession, k: Any) -> None:
    if not isinstance(k, int) or not 0 <= k < len(session.choices):
        raise KitError("no such kit is offered; fill the rest again")
    kit = _with_locked_slots(session.catalog, session.kit, session.choices[k])
    session.put(kit, f"choose kit {k + 1}")


def _open(session: KitSession, name: str) -> None:
    saved = next((kit for kit in session.catalog.kits.saved() if kit.name == name), None)
    if saved is None:
        raise KitError(f"no kit is named {name!r}")
    session.saved_versions[name] = session.catalog.kits.version(name)
    session.put(saved, f"open {name}")
    session.choices = []


# Actions on the whole kit; all others change one slot.
WHOLE_KIT: Mapping[str, Callable[[KitSession, Action], None]] = {
    "undo": lambda session, _: session.move(-1),
    "redo": lambda session, _: session.move(1),
    "fill": lambda session, action: fill_rest(
        session, list(map(str, action.get("slots", ()))), place=str(action.get("session") or "")
    ),
    "choose": lambda session, action: _choose(session, action.get("k")),
    "start_over": lambda session, _: _start_new(session),
    "layers": lambda session, _: _add_layers(session),
    "open": lambda session, action: _open(session, str(action.get("name", ""))),
}
