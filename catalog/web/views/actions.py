"""Actions of the browser on the catalog, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.web.tab import tab

Action = Mapping[str, Any]


def _dismiss(catalog: Catalog, action: Action) -> None:
    dismissed = action["op"] == "dismiss"
    catalog.review.dismiss_fault([int(action["id"])], str(action["kind"]), dismissed=dismissed)


def _move_region(catalog: Catalog, action: Action) -> None:
    start, stop = int(action["start"]), int(action["stop"])
    catalog.takes.move_region(int(action["id"]), start=start, stop=stop)


def _name_drum(catalog: Catalog, action: Action) -> None:
    ids, damping = list(map(int, action["ids"])), str(action["damping"])
    catalog.drums.name(ids, str(action["name"]), damping=damping)


ACTIONS: Mapping[str, Callable[[Catalog, Action], object]] = {
    "dismiss": _dismiss,
    "undismiss": _dismiss,
    "name_drum": _name_drum,
    "refuse_drum": lambda catalog, action: catalog.drums.refuse(list(map(int, action["ids"]))),
    "move": _move_region,
    "split": lambda catalog, a: catalog.takes.split_region(int(a["id"]), at=int(a["at"])),
    "merge": lambda catalog, action: catalog.takes.merge_regions(list(map(int, action["ids"]))),
    "reset": lambda catalog, action: catalog.takes.reset_regions(int(action["id"])),
}


def run_action(catalog: Catalog, view: str) -> None:
    """Run the action that a view of the browser sent: a dict with "op", a key of `ACTIONS`.

    What does not look like one is ignored; an error is kept as `Tab.action_error`.
    """
    action = st.session_state[view]["action"]
    tab().action_error = ""
    if not isinstance(action, dict) or str(action.get("op")) not in ACTIONS:
        return
    try:
        ACTIONS[str(action["op"])](catalog, action)
    except (CatalogError, OSError) as err:
        tab().action_error = str(err)
    except (KeyError, TypeError, ValueError, OverflowError):
        return  # not what the page sends
