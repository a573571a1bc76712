"""Saved kits: every change is applied to the newest state and saved in one transaction.

Each saved state stays as a version that can be taken back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from catalog.errors import KitArgumentError, KitError, StoreArgumentError, StoreError
from catalog.kit.model import Kit
from catalog.library.store.records.kits import SavedKit
from catalog.library.store.store import Store

FREE_TRIES = 3  # without holding the right to write, so that other programs do not wait


@dataclass(frozen=True)
class KitVersion:
    """A saved state of a kit."""

    version: int  # grows with each saved state of any kit
    kit_id: int  # the same for all versions of a kit, also under a new name
    time_utc: str
    kit: Kit


def list_versions(store: Store, name: str) -> list[KitVersion]:
    """Return all saved states of a kit, the newest last.

    Raise `StoreError` if no kit has that name, or one of them is damaged.
    """
    return [
        KitVersion(
            saved.version,
            saved.kit_id,
            saved.time_utc,
            replace(Kit.from_json(saved.payload), name=saved.name),
        )
        for saved in store.kits.versions(name)
    ]


def describe_change(before: Kit | None, kit: Kit) -> str:
    """Return what a version changed of the one before: slots, levels and tunings, in words."""
    if before is None:
        return f"first saved, with {', '.join(kit.slots)}"
    parts = {"hits": "slots", "level": "level_db", "tuning": "tuning_semitones"}
    found = []
    for word, field in parts.items():
        old, new = getattr(before, field), getattr(kit, field)
        slots = [slot for slot in {**old, **new} if old.get(slot) != new.get(slot)]
        found += [f"{word} of {', '.join(slots)}"] if slots else []
    return "; ".join(found) or "the same hits, levels and tunings"


def take_back_version(store: Store, name: str, version: int) -> Kit:
    """Save an older state of a kit again as the newest one, and return it.

    Raise `StoreError` if no kit has that name, and `KitError` if it has no such version.
    """
    versions = {saved.version: saved for saved in list_versions(store, name)}
    if version not in versions:
        known = ", ".join(map(str, versions))
        raise KitArgumentError(
            f"the kit {name!r} has no version {version}; its versions are {known}"
        )
    with store.act("take back kit", f"{name}, version of {versions[version].time_utc}"):
        return change_saved_kit(store, name, lambda _: versions[version].kit)


def change_saved_kit(store: Store, name: str, change: Callable[[Kit], Kit]) -> Kit:
    """Change a saved kit; apply the change again if another program saved the kit meanwhile.

    Parameters
    ----------
    store : Store
    name : str
    change : callable, returns the kit as it is to be saved; it may be called several times

    Returns
    -------
    Kit, as it was saved

    Raises
    ------
    StoreError
        if no kit has that name, also if it was deleted or renamed meanwhile
    KitError
        if `change` raises it, also because the kit was changed meanwhile; nothing is saved
    """
    saved = store.kits.newest(name)
    if saved is None:
        raise StoreArgumentError(f"no kit is named {name!r}")
    first = saved.version
    for _ in range(FREE_TRIES):
        kit = _apply(saved, change, first=first)
        if store.kits.save_if(name, kit.to_json(), version=saved.version):
            return kit
        saved = _read_again(store, name)
    with store.writing(changes_hits=False):  # now no other program can save it meanwhile
        saved = _read_again(store, name)
        kit = _apply(saved, change, first=first)
        store.kits.save(name, kit.to_json())
    return kit


def _read_again(store: Store, name: str) -> SavedKit:
    saved = store.kits.newest(name)
    if saved is None:
        raise StoreError(
            f"the kit {name!r} was deleted or renamed by another program meanwhile; "
            "nothing was changed"
        )
    return saved


def _apply(saved: SavedKit, change: Callable[[Kit], Kit], *, first: int) -> Kit:
    kit = replace(Kit.from_json(saved.payload), name=saved.name)
    try:
        return replace(change(kit), name=saved.name)
    except KitError as err:
        if saved.version == first:
            raise
        raise KitError(
            f"the kit {saved.name!r} was changed by another program meanwhile, and this change no "
            f"longer fits: {err}; nothing was changed",
            slot=err.slot,
        ) from err
