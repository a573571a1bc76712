"""Change a saved kit: every change is applied to the newest state and saved in one transaction."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from catalog.errors import KitError, StoreError
from catalog.kit.model import Kit
from catalog.library.store.records.kits import SavedKit
from catalog.library.store.store import Store

FREE_TRIES = 3  # without holding the right to write, so that other programs do not wait


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
        raise StoreError(f"no kit is named {name!r}")
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
