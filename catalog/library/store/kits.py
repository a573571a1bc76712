"""Kits kept under a name, taken away or renamed, and the one that lies on the table."""

from __future__ import annotations

from catalog.errors import StoreError
from catalog.library.store.database import Database

DRAFT = "kit on the table"  # key of the setting that holds it


def delete_kit(store: Database, name: str) -> None:
    """Take a kept kit away, with all its earlier versions.

    Raises
    ------
    StoreError
        if no kit has that name
    """
    with store.writing(changes_hits=False) as db:
        if not db.execute("DELETE FROM kit WHERE name = ?", (name,)).rowcount:
            raise StoreError(f"no kit is named {name!r}")


def rename_kit(store: Database, old: str, new: str) -> None:
    """Give a kept kit another name.

    Raises
    ------
    StoreError
        if no kit has the old name, another has the new one, or it is empty
    """
    if not new.strip():
        raise StoreError("the new name is empty: give the kit a name to find it by")
    with store.writing(changes_hits=False) as db:
        if db.execute("SELECT 1 FROM kit WHERE name = ?", (new,)).fetchone():
            raise StoreError(
                f"a kit is named {new!r} already; delete that one or take another name"
            )
        changed = db.execute("UPDATE kit SET name = ? WHERE name = ?", (new, old)).rowcount
        if not changed:
            raise StoreError(f"no kit is named {old!r}")


def keep_draft(store: Database, text: str) -> None:
    """Keep what lies on the table, as text."""
    store.set_setting(DRAFT, text)


def kept_draft(store: Database) -> str:
    """Give what `keep_draft` kept last; "" if nothing."""
    return str(store.setting(DRAFT, ""))
