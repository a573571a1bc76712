"""Choose a folder below the home folder, level by level."""

from __future__ import annotations

from pathlib import Path

import streamlit as st

from catalog.web.folders import list_folder
from catalog.web.labels import count_of, inert
from catalog.web.tab import tab

HEIGHT, LINE = 300, 46  # pixels of the list, which scrolls, and of one folder in it


def draw_folder_picker(*, field: str) -> None:
    """Draw the folder picker; choosing a folder writes its path to the widget `field`."""
    home = Path.home()
    here = list_folder(tab().folder or home, home=home)
    with st.container(horizontal=True, gap="small", key="choose_way"):
        for place in here.above:
            name = "Home" if place == here.above[0] else inert(place.name)
            st.button(
                name, key=f"way_{place}", type="tertiary", on_click=_go, args=(place,),
                disabled=place == here.place,
            )  # fmt: skip
    with st.container(height=min(HEIGHT, 40 + LINE * max(1, len(here.inside))), key="choose_list"):
        for place, n_files in here.inside:
            count = f"  \u2003:small[{count_of(n_files, 'recording')}]" if n_files else ""
            st.button(
                f"{inert(place.name)}{count}", key=f"into_{place}", type="tertiary", on_click=_go,
                args=(place,),
            )  # fmt: skip
        if not here.inside:
            st.caption("No folders here.")
        if here.more:
            st.caption("More folders than are shown; type the path instead.")
    found = count_of(here.n_files, "recording") if here.n_files else "no recordings"
    st.caption(f"{found} directly in “{inert(here.place.name)}”; folders inside are scanned too.")
    st.button("Use this folder", key="choose_take", on_click=_take, args=(field, here.place))


def _go(place: Path) -> None:
    tab().folder = str(place)


def _take(field: str, place: Path) -> None:
    st.session_state[field] = str(place)
    st.session_state["choose_open"] = False
