"""Folders below the home folder; links that lead out of it are not followed."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from catalog.audio.decode import AUDIO_SUFFIXES

MAX_LISTED = 400  # folders shown of one folder
MAX_LOOKED = 5_000  # names read of one folder, so that a huge one takes no noticeable time


@dataclass(frozen=True)
class Listing:
    """One folder and its contents.

    Attributes
    ----------
    place : Path
    above : tuple of Path
        the folders down to this one, the home folder first
    inside : tuple of (Path, int)
        folders in it, by name, each with the number of audio files directly in it
    n_files : int
        audio files directly in this one
    more : bool
        there are more folders than are listed
    """

    place: Path
    above: tuple[Path, ...]
    inside: tuple[tuple[Path, int], ...]
    n_files: int
    more: bool


def list_folder(place: str | Path, *, home: Path) -> Listing:
    """List a folder; `home` is listed if it is not below `home` or cannot be read.

    Parameters
    ----------
    place : str or Path
    home : Path
        the highest folder that is shown

    Returns
    -------
    Listing
        hidden names are left out
    """
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
