"""Actions of the browser on the catalog, each by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import streamlit as st

from catalog.catalog import Catalog
from catalog.errors import CatalogError
from catalog.models import State
from catalog.web.tab import tab
from catalog.web.views.review.confirm_set_aside import needs_confirmation, set_aside_now

Act = Mapping[str, Any]


def _keep(catalog: Catalog, act: Act) -> None:
    catalog.duplicates.prefer(int(act["id"]))


def _set_verdict(catalog: Catalog, act: Act) -> None:
    pair = int(act["first"]), int(act["second"])
    catalog.duplicates.set_verdict(*pair, act["op"] == "same")
    tab().verdicts.append(pair)


def _accept(catalog: Catalog, act: Act) -> None:
    ids = [int(i) for i in act["ids"]]
    all_here = all(
        catalog.hit(i).state == State.HERE for i in ids
    )  # another tab may have moved one
    if not all_here or not needs_confirmation(catalog, ids):
        set_aside_now(catalog, ids)


def _dismiss(catalog: Catalog, act: Act) -> None:
    catalog.review.dismiss_fault(
        [int(act["id"])], str(act["kind"]), dismissed=act["op"] == "dismiss"
    )


def _move(catalog: Catalog, act: Act) -> None:
    catalog.takes.move_region(int(act["id"]), start=int(act["start"]), stop=int(act["stop"]))


def _part(catalog: Catalog, act: Act) -> None:
    catalog.takes.split_region(int(act["id"]), at=int(act["at"]))


def _join(catalog: Catalog, act: Act) -> None:
    catalog.takes.merge_regions([int(i) for i in act["ids"]])


def _as_found(catalog: Catalog, act: Act) -> None:
    catalog.takes.reset_regions(int(act["id"]))


ACTIONS: Mapping[str, Callable[[Catalog, Act], None]] = {
    "keep": _keep,
    "same": _set_verdict,
    "differ": _set_verdict,
    "accept": _accept,
    "dismiss": _dismiss,
    "undismiss": _dismiss,
    "move": _move,
    "part": _part,
    "join": _join,
    "found": _as_found,
}


def run_action(catalog: Catalog, view: str) -> None:
    """Run the action that a view of the browser sent through its trigger "act".

    Parameters
    ----------
    catalog : Catalog
    view : str
        the view's key in the session; its "act" is a dict with "op", a key of `ACTIONS`; what does
        not look like one is passed over, an error is kept in the session as "act_trouble"
    """
    act = st.session_state[view]["act"]
    tab().action_error = ""
    if not isinstance(act, dict) or str(act.get("op")) not in ACTIONS:
        return
    try:
        ACTIONS[str(act["op"])](catalog, act)
    except (CatalogError, OSError) as err:
        tab().action_error = str(err)
    except (KeyError, TypeError, ValueError, OverflowError):
        return  # not what the page sends
