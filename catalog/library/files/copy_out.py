"""Copies of the files of some hits in a new folder; the recordings themselves are only read."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path
from unicodedata import normalize

from catalog.errors import AudioError, ParameterError
from catalog.library.files.atomic import rename_into_place, staging_folder
from catalog.library.scan.walk import hash_file
from catalog.models import Hit

# Not allowed in names: Microsoft, "Naming Files, Paths, and Namespaces" (from memory)
INVALID = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
DEVICES = {"CON", "PRN", "AUX", "NUL"} | {f"{k}{n}" for k in ("COM", "LPT") for n in range(1, 10)}


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
    """Return a file name for each source; the second of one name becomes "name (2)".

    Names are valid and different on Windows and macOS too, which a copied folder may be taken to.
    """
    names: dict[Path, str] = {}
    taken: set[str] = set()
    for source in sources:
        first = Path(_valid_name(source.name))
        name, n = first.name, 1
        while _key(name) in taken:
            n += 1
            name = f"{first.stem} ({n}){first.suffix}"
        taken.add(_key(name))
        names[source] = name
    return names


def _valid_name(name: str) -> str:
    """Return a name without what Windows does not allow: characters, devices, a dot at the end."""
    plain = INVALID.sub("_", name).rstrip(" .") or "_"
    first, dot, rest = plain.partition(".")
    return f"{first}_{dot}{rest}" if first.rstrip().upper() in DEVICES else plain


def _key(name: str) -> str:
    return normalize("NFC", normalize("NFC", name).casefold())


def _copy(source: Path, target: Path) -> None:
    try:
        shutil.copy2(source, target)
        is_equal = hash_file(source) == hash_file(target)
    except OSError as err:
        raise AudioError(source, f"cannot be copied ({err.strerror or err})") from err
    if not is_equal:
        raise AudioError(source, "its copy differs; the disk may be failing; nothing was kept")
