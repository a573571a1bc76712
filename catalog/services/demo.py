"""The demo library: a copy of its audio, and the map that is shipped with it."""

from __future__ import annotations

import csv
import os
import shutil
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.errors import CatalogError

if TYPE_CHECKING:
    from catalog.context import Context

PACKAGE = Path(__file__).resolve().parents[1]
DEMO_FOLDERS = (
    PACKAGE.parent / "demo_library",
    PACKAGE / "demo_library",
)  # in a checkout, in a wheel
DEMO_MAP = "map.csv"


def demo_folder() -> Path:
    """Return the folder of the demo library; the first of the possible ones if none exists."""
    return next((path for path in DEMO_FOLDERS if path.is_dir()), DEMO_FOLDERS[0])


def demo_places(store: Path) -> tuple[Path, Path]:
    """Return where the copy of the demo library and its store are kept, beside the usual store."""
    folder = store.parent / "demo"
    return folder / "library", folder / "demo.sqlite"


def copy_demo(target: Path) -> Path:
    """Copy the audio of the demo library, so that nothing changes the original.

    Parameters
    ----------
    target : Path
        not changed if it exists

    Returns
    -------
    Path, `target`

    Raises
    ------
    CatalogError
        if the demo library is missing
    """
    from catalog.audio.decode import AUDIO_SUFFIXES

    if target.is_dir():
        return target
    source = demo_folder()
    files = [p for p in sorted(source.rglob("*")) if p.suffix.lower() in AUDIO_SUFFIXES]
    if not files:
        raise CatalogError(
            f"{source}: holds no demo library; install catalog again, or run it from a checkout"
        )
    partial = target.with_name(f"{target.name}.{os.getpid()}.part")
    for file in files:
        copy = partial / file.relative_to(source)
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(file, copy)
    with suppress(OSError):  # another demo, started at the same time, has made it
        partial.rename(target)
    return target


def place_demo(context: Context, library: Path) -> int:
    """Store the map that is shipped with the demo library, unless a map is stored already.

    Parameters
    ----------
    context : Context
    library : Path, the copy that was scanned

    Returns
    -------
    int, how many hits were placed; the map places the others beside similar ones
    """
    import numpy as np

    table = demo_folder() / DEMO_MAP
    store = context.store
    if len(store.layouts.read()[0]) or not table.is_file():
        return 0
    with table.open(encoding="utf-8", newline="") as file:
        places = {
            (library / row["path"], int(row["region"])): (float(row["x"]), float(row["y"]))
            for row in csv.DictReader(file)
        }
    found = {hit.id: places.get((hit.path, hit.region)) for hit in context.hits()}
    placed = {hit_id: place for hit_id, place in found.items() if place is not None}
    if placed:
        store.layouts.save(list(placed), np.array(list(placed.values())), kind="umap", seed=0)
    return len(placed)
