"""The browser component that draws and plays, mounted once for each view."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import streamlit as st

from catalog.web.server.assets import loader_script, read_frontend_file
from catalog.web.tab import tab

PROBE_VARIABLE = "CATALOG_PAGE_PROBE"  # lets tests inspect the page


def mount_audition(
    view: str,
    data: dict[str, Any],
    *,
    default: dict[str, Any] | None = None,
    **on_change: Callable[[], None],
) -> Any:
    """Mount a view of the component, with its name as key, and return what it reports.

    `view` is a key of `VIEWS` in main.js; `data` is what it shows, bytes only at the top level;
    `default` holds the first values of what it reports; `on_change` are callables by the
    component's event, such as `on_action_change`.
    """
    component = st.components.v2.component(
        "catalog.audition", html=read_frontend_file("audition.html"), js=loader_script()
    )
    sent = {"view": view, "name": view, "tab": tab().name, **data}
    sent["probe"] = bool(os.environ.get(PROBE_VARIABLE))
    callbacks: dict[str, Any] = dict(on_change)
    return component(key=view, data=sent, default=default, **callbacks)
