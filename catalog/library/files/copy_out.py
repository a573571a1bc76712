"""Copies of the files of some hits in a new folder; the recordings themselves are only read."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from catalog.errors import AudioError, ParameterError
from catalog.library.files.atomic import rename_into_place, staging_folder
from catalog.library.scan.walk import hash_file
from catalog.models import Hit


def copy_files(hits: Sequence[Hit], folder: Path) -> list[Path]:
    """Copy the files of hits to a new folder, each once, and compare each copy with its file.

    A file name that occurs twice gets a number. The folder appears when all copies are verified.

    Parameters
    ----------
    hits : sequence of Hit
    folder : Path, must not exist yet

    Returns
    -------
    list of Path, the copies

    Raises
    ------
    ParameterError
        if the folder exists
    AudioError
        if a file is missing, cannot be read, or its copy differs
    """
    if folder.exists():
        raise ParameterError(f"{folder}: exists already; choose a new name for the folder")
    sources = dict.fromkeys(path for hit in hits for path in _files_of(hit))
    targets = name_copies(sources)
    with staging_folder(folder) as staging:
        place = staging / "copies"
        place.mkdir()
        for source, name in targets.items():
            _copy(source, place / name)
        rename_into_place(place, folder)
    return [folder / name for name in targets.values()]


def _files_of(hit: Hit) -> Iterable[Path]:
    """Return the files of a hit with those of the other microphones of its stroke."""
    return (*hit.files, *(mic.path for mic in hit.tied[1:]))


def name_copies(sources: Iterable[Path]) -> dict[Path, str]:
    """Return a file name for each source; the second of one name becomes "name (2)"."""
    names: dict[Path, str] = {}
    taken: set[str] = set()
    for source in sources:
        name, n = source.name, 1
        while name.casefold() in taken:
            n += 1
            name = f"{source.stem} ({n}){source.suffix}"
        taken.add(name.casefold())
        names[source] = name
    return names


def _copy(source: Path, target: Path) -> None:
    try:
        shutil.copy2(source, target)
        is_equal = hash_file(source) == hash_file(target)
    except OSError as err:
        raise AudioError(source, f"cannot be copied ({err.strerror or err})") from err
    if not is_equal:
        raise AudioError(source, "its copy differs; the disk may be failing; nothing was kept")
