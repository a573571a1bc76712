"""The hit that is kept of each group of copies, as far as it is stored or follows from equal files.

Searches read this for each answer, so this module imports nothing that compares samples.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path

from catalog.library.store.records.annotations import pair_key
from catalog.library.store.records.cache import EqualFiles
from catalog.library.store.store import Store

UNCERTAIN_RELATION = "unsure"  # as stored: a pair that is not sure
FOLDERS = "preferred folders"  # setting: paths, the best first


def read_kept(store: Store, here: Collection[int]) -> dict[int, int]:
    """Return the id of the hit that is kept, for each of its copies.

    They are those of the stored groups and of files of equal content; no samples are compared.

    Parameters
    ----------
    here : collection of int, ids of the present hits
    """
    kept = stored_keepers(store, here)
    equal = [hit_id for hit_id in EqualFiles(store.database).read() if hit_id in here]
    if not equal:
        return kept
    from catalog.duplicates.groups import equal_keepers
    from catalog.duplicates.keeper import KeeperChoice

    choice = KeeperChoice(folders=read_folders(store))
    return {**equal_keepers(store.hits.read_ids(equal), choice), **kept}


def stored_keepers(store: Store, here: Collection[int]) -> dict[int, int]:
    """Return the id of the kept hit for each copy of the stored groups, which may be older.

    Pairs are left out if one of them is not in `here`, or the user found them to be different.
    """
    cached = store.group_cache.read()
    if cached is None:
        return {}
    verdicts = store.pair_answers.read()
    kept = {}
    for keep, others, _ in cached[0]:
        copies = (i for i, kind, _ in others if kind != UNCERTAIN_RELATION and i in here)
        for hit_id in copies if keep in here else ():
            if verdicts and not verdicts.get(
                pair_key(store.hits.get(keep), store.hits.get(hit_id)), True
            ):
                continue
            kept[hit_id] = keep
    return kept


def read_folders(store: Store) -> list[Path]:
    """Return the folders whose files the user prefers among copies, the best first."""
    return [Path(text) for text in store.database.read_setting(FOLDERS, [])]


def save_folders(store: Store, folders: Iterable[Path]) -> None:
    """Store the folders whose files are preferred among copies, the best first."""
    store.database.save_setting(FOLDERS, [str(folder.resolve()) for folder in folders])
