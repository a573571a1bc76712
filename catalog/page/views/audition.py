"""The one component that sounds: its files joined, mounted as "listen", "kit" or "twice"."""

from __future__ import annotations

import os
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Any

import streamlit as st

SCRIPTS = (
    "engine.js", "parts.js", "marks.js", "map.js", "chosen.js", "pads.js", "twice.js", "main.js",
)  # fmt: skip
PROBE_VARIABLE = "CATALOG_PAGE_PROBE"  # tests look into the page through it


@cache
def read_audition() -> dict[str, str]:
    """Read the component's files, once: "html", "css" and "js"."""
    folder = files("catalog.page").joinpath("audition")
    return {
        "html": folder.joinpath("audition.html").read_text("utf-8"),
        "css": folder.joinpath("audition.css").read_text("utf-8"),
        "js": "\n".join(folder.joinpath(name).read_text("utf-8") for name in SCRIPTS),
    }


def mount_audition(
    view: str,
    data: dict[str, Any],
    *,
    default: dict[str, Any] | None = None,
    **on_change: Callable[[], None],
) -> Any:
    """Show one view of the component under its own name as key.

    Parameters
    ----------
    view : str
        "listen", "kit" or "twice"
    data : dict
        what the view shows; bytes only at the top level
    default : dict, optional
        first values of what it reports
    **on_change : callables by the component's event, such as `on_act_change`

    Returns
    -------
    what the component reports, by attribute
    """
    parts = read_audition()
    component = st.components.v2.component(
        "catalog.audition", html=parts["html"], css=parts["css"], js=parts["js"]
    )
    sent = {"view": view, "name": view, "probe": bool(os.environ.get(PROBE_VARIABLE)), **data}
    callbacks: dict[str, Any] = dict(on_change)
    return component(key=view, data=sent, default=default, **callbacks)
