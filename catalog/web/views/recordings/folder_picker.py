"""Choose a folder below the home folder, level by level; links that lead out are not followed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import streamlit as st

from catalog.audio.decode import AUDIO_SUFFIXES
from catalog.web.labels import count_of, inert
from catalog.web.tab import tab

MAX_LISTED = 400  # folders shown of one folder
MAX_LOOKED = 5_000  # names read of one folder, so that a huge one takes no noticeable time
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


@dataclass(frozen=True)
class Listing:
    """One folder and its contents."""

    place: Path
    above: tuple[Path, ...]  # the folders down to this one, the home folder first
    inside: tuple[tuple[Path, int], ...]  # by name, each with the number of audio files in it
    n_files: int  # audio files directly in this one
    more: bool  # there are more folders than are listed


def list_folder(place: str | Path, *, home: Path) -> Listing:
    """List a folder without hidden names; `home` is listed instead if it is not below `home`."""
    top, real = Path(os.path.realpath(home)), Path(os.path.realpath(place))
    if not real.is_relative_to(top) or not real.is_dir():
        real = top
    steps = real.relative_to(top).parts
    above = tuple(top.joinpath(*steps[:n]) for n in range(len(steps) + 1))
    folders = sorted(
        (entry for entry in _entries(real) if _is_shown(entry, top)),
        key=lambda entry: entry.name.casefold(),
    )
    inside = tuple((Path(e.path), _count_audio(Path(e.path))) for e in folders[:MAX_LISTED])
    return Listing(real, above, inside, _count_audio(real), len(folders) > MAX_LISTED)


def _entries(folder: Path) -> list[os.DirEntry[str]]:
    try:
        with os.scandir(folder) as found:
            return [entry for entry, _ in zip(found, range(MAX_LOOKED), strict=False)]
    except OSError:
        return []


def _is_shown(entry: os.DirEntry[str], top: Path) -> bool:
    try:
        if entry.name.startswith(".") or not entry.is_dir():
            return False
        return not entry.is_symlink() or Path(os.path.realpath(entry.path)).is_relative_to(top)
    except OSError:
        return False


def _count_audio(folder: Path) -> int:
    return sum(
        os.path.splitext(entry.name)[1].lower() in AUDIO_SUFFIXES and not entry.name.startswith(".")
        for entry in _entries(folder)
    )
