"""Routes of saved kits: list, save, rename, delete, older versions, comparison."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from itertools import pairwise
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import CatalogError, KitError
from catalog.kit.change import describe_change
from catalog.web.api.responses import in_thread, refuse, send_json, with_json
from catalog.web.kit_session.saving import delete_kit, rename_kit, save_kit
from catalog.web.kit_session.session import CHANGED
from catalog.web.labels import plain, when_word
from catalog.web.state import page

N_VERSIONS = 12  # shown; the command line lists all


def _save(name: str, sent: Mapping[str, Any]) -> str:
    session = page().kit_session
    with session.lock:
        session.refresh()
        if sent.get("revision") != session.revision:
            raise KitError(CHANGED)
        save_kit(session, name, shown=session.kit)
    return f"Saved: {plain(name)}"


def _rename(name: str, sent: Mapping[str, Any]) -> str:
    new = str(sent.get("new", "")).strip()
    rename_kit(page().kit_session, name, new)
    return f"Renamed: {plain(name)} is now {plain(new)}"


def _delete(name: str, _: Mapping[str, Any]) -> str:
    delete_kit(page().kit_session, name)
    return f"Deleted: {plain(name)}. The recordings stay; Undo brings the kit back."


def _take_back(name: str, sent: Mapping[str, Any]) -> str:
    page().catalog.kits.take_back(name, int(sent.get("version", 0)))
    return f"The saved kit {plain(name)} is as it was before"


ACTIONS: Mapping[str, Callable[[str, Mapping[str, Any]], str]] = {
    "save": _save, "rename": _rename, "delete": _delete, "take_back": _take_back,
}  # fmt: skip


def _list_kits() -> dict[str, Any]:
    """Return the saved kits, or why they cannot be read."""
    try:
        saved = page().catalog.kits.saved()
    except CatalogError as err:
        return {"kits": [], "error": plain(str(err))}
    kits = [
        {
            "name": kit.name,
            "n_slots": len(kit.slots),
            "n_strokes": sum(map(len, kit.slots.values())),
        }
        for kit in saved
    ]
    return {"kits": kits, "error": ""}


@in_thread
def _saved(_: Request) -> Response:
    return send_json(_list_kits())


@with_json
def _act(sent: Any) -> Response:
    name, act = _read_name(sent), ACTIONS.get(str(sent.get("op")))
    if act is None:
        raise refuse(400, "not understood")
    try:
        text = act(name, sent)
    except (CatalogError, ValueError, TypeError) as err:
        raise refuse(400, plain(str(err))) from err
    return send_json({**_list_kits(), "text": text})


@with_json
def _details(sent: Any) -> Response:
    """Send the older versions of a saved kit, and how the present kit differs from it."""
    name = _read_name(sent)
    try:
        versions = [
            {
                "version": before.version,
                "change": plain(describe_change(before.kit, now.kit)),
                "when": when_word(before.time_utc),
            }
            for before, now in pairwise(page().catalog.kits.versions(name)[-N_VERSIONS - 1 :])
        ]
        lines = _compare(name)
    except (CatalogError, ValueError) as err:
        raise refuse(400, plain(str(err))) from err
    return send_json({"versions": versions[::-1], "lines": [plain(line) for line in lines]})


def _compare(name: str) -> tuple[str, ...]:
    """Return how the present kit differs from a saved one; nothing if there is no such kit."""
    saved = next((kit for kit in page().catalog.kits.saved() if kit.name == name), None)
    kit = page().kit_session.kit
    if saved is None or not kit.slots:
        return ()
    if saved.slots == kit.slots:
        return ("it has the same hits as the present kit",)
    return page().catalog.kit_sound.compare(saved, kit).lines


def _read_name(sent: Any) -> str:
    name = sent.get("name") if isinstance(sent, dict) else None
    if not isinstance(name, str):
        raise refuse(400, "not understood")
    if not name.strip():
        raise refuse(400, "Give the kit a name.")
    return name.strip()


ROUTES = (
    Route("/api/kits", _saved),
    Route("/api/kits", _act, methods=["POST"]),
    Route("/api/kits/details", _details, methods=["POST"]),
)
