"""Save the kit that is being built under a name; no kit that the user has not seen is replaced."""

from __future__ import annotations

from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.web.kit_session.session import CHANGED, KitSession


def save_kit(session: KitSession, name: str, *, shown: Kit) -> None:
    """Save the present kit under a name.

    A kit of that name is replaced if it was opened or saved here and is unchanged since. In other
    cases it is replaced when the user saves once more.

    Raises
    ------
    KitError
        if the present kit is not the one `shown`, or the saved kit of that name is another one, or
        was deleted or renamed; nothing is saved
    """
    with session.lock:
        session.refresh()
        if session.kit != shown:
            raise KitError(CHANGED)
        saved, known = session.catalog.kits.version(name), session.saved_versions.get(name, 0)
        if saved != known:
            session.change(lambda: _set_version(session, name, saved))
            raise KitError(_difference(name, saved, known))
        version = session.catalog.kits.save_version(shown, name, version=saved)
        if version is None:
            raise KitError(f"the kit “{name}” was changed by another program; save it again")
        session.change(lambda: _set_version(session, name, version))
        session.rename(name)


def _difference(name: str, saved: int, known: int) -> str:
    if not saved:
        return (
            f"the kit “{name}” was deleted or renamed meanwhile and was not saved again; press "
            "Save once more to save it as a new kit"
        )
    if not known:
        return f"a kit is named “{name}” already; press Save once more to replace it"
    return (
        f"the saved kit “{name}” was changed by another tab or program meanwhile; press Save once "
        "more to replace it"
    )


def _set_version(session: KitSession, name: str, version: int) -> None:
    session.saved_versions.pop(name, None)
    if version:
        session.saved_versions[name] = version


def rename_kit(session: KitSession, old: str, new: str) -> None:
    """Rename a saved kit, and the present one if it is that kit.

    Raises
    ------
    StoreError
        if the name is taken or empty, or there is no such kit
    """
    with session.lock:
        session.catalog.kits.rename(old, new)
        version = session.saved_versions.get(old, 0)

        def follow() -> None:
            _set_version(session, old, 0)
            _set_version(session, new, version)

        session.change(follow)
        if session.kit.name == old:
            session.rename(new)


def delete_kit(session: KitSession, name: str) -> None:
    """Delete a saved kit; the present kit stays and can be saved as a new one.

    Raises
    ------
    StoreError
        if there is no such kit, as another tab may have deleted it
    """
    with session.lock:
        session.catalog.kits.delete(name)
        session.change(lambda: _set_version(session, name, 0))
