"""A change of a saved kit beside others: it is redone, or refused with the reason."""

from __future__ import annotations

import pytest

from catalog.errors import KitError, StoreError
from catalog.kit.change import FREE_TRIES, change_saved_kit
from catalog.kit.model import Kit
from catalog.library.store.store import Store

KIT = Kit("k", {"kick": (1,), "snare": (2,)})


@pytest.fixture
def stores(tmp_path):
    """Return one store opened twice, as by two programs."""
    with Store.open(tmp_path / "drums.sqlite") as first, Store.open(first.path) as second:
        first.kits.save("k", KIT.to_json())
        yield first, second


def newest(store: Store, name: str = "k") -> Kit:
    saved = store.kits.newest(name)
    assert saved is not None
    return Kit.from_json(saved.payload)


def test_each_change_is_a_version_of_its_own(stores):
    store, _ = stores
    before = store.kits.newest("k").version
    kit = change_saved_kit(store, "k", lambda kit: kit.with_level("kick", -2.0))
    assert newest(store) == kit
    assert store.kits.newest("k").version > before
    assert [saved.name for saved in store.kits.read()] == ["k"]


@pytest.mark.parametrize("n_others", [1, FREE_TRIES, FREE_TRIES + 5])
def test_a_change_is_redone_on_what_another_program_saved(stores, n_others):
    mine, other = stores
    left = list(range(n_others))

    def change(kit: Kit) -> Kit:
        if left and not mine.database._connection.in_transaction:
            level = -1.0 - left.pop()
            change_saved_kit(other, "k", lambda kit: kit.with_level("snare", level))
        return kit.with_level("kick", -2.0)

    kit = change_saved_kit(mine, "k", change)
    assert kit.level_db == {"kick": -2.0, "snare": newest(mine).level_db["snare"]}
    assert newest(other) == kit
    assert len(left) == max(0, n_others - FREE_TRIES)


@pytest.mark.parametrize("how", ["delete", "rename"])
def test_a_kit_that_was_deleted_or_renamed_meanwhile_does_not_come_back(stores, how):
    mine, other = stores

    def change(kit: Kit) -> Kit:
        other.kits.delete("k") if how == "delete" else other.kits.rename("k", "night")
        return kit.with_level("kick", -2.0)

    with pytest.raises(StoreError, match="'k' was deleted or renamed by another program meanwhile"):
        change_saved_kit(mine, "k", change)
    assert [saved.name for saved in mine.kits.read()] == (["night"] if how == "rename" else [])
    with pytest.raises(StoreError, match="no kit is named 'k'"):
        change_saved_kit(mine, "k", change)


def test_a_deleted_kit_is_not_mistaken_for_a_new_one_of_its_name(stores):
    store, other = stores
    version = store.kits.newest("k").version
    other.kits.delete("k")
    other.kits.save("k", KIT.to_json())
    assert store.kits.save_if("k", "{}", version=version) is None
    assert newest(store) == KIT


def test_a_change_that_no_longer_fits_is_refused(stores):
    mine, other = stores

    def change(kit: Kit) -> Kit:
        emptied = Kit("k", {"snare": (2,)})
        other.kits.save("k", emptied.to_json())
        return kit.with_level("kick", -2.0)

    words = "was changed by another program meanwhile, and this change no longer fits: slot kick is"
    with pytest.raises(KitError, match=words):
        change_saved_kit(mine, "k", change)
    assert newest(mine).level_db == {}


def test_a_change_that_never_fitted_is_refused_in_its_own_words(stores):
    with pytest.raises(KitError, match=r"^slot ride is empty"):
        change_saved_kit(stores[0], "k", lambda kit: kit.with_level("ride", -2.0))
