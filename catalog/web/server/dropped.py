"""Find a folder that was dropped on the page: browsers give its name and contents, not its path."""

from __future__ import annotations

import os
import time
from collections import deque
from collections.abc import Iterable, Sequence
from pathlib import Path

MAX_FOUND = 5  # folders offered
MAX_LOOKED, MAX_S = 50_000, 4.0  # folders looked at, and seconds, before the search ends


def find_dropped(name: str, inside: Sequence[str], places: Iterable[Path]) -> list[Path]:
    """Return the folders of a name that hold all the given names, the least deep first.

    Parameters
    ----------
    name : str, of the folder
    inside : sequence of str, names of files and folders directly in it
    places : iterable of Path, below which is searched; hidden folders and links are left out
    """
    end = time.monotonic() + MAX_S
    waiting = deque(dict.fromkeys(place for place in places if place.is_dir()))
    found: list[Path] = []
    seen: set[Path] = set()
    while waiting and len(found) < MAX_FOUND and len(seen) < MAX_LOOKED:
        place = waiting.popleft()
        if place in seen or time.monotonic() > end:
            continue
        seen.add(place)
        folders = _folders_in(place)
        waiting.extend(folders)
        if place.name == name and all(os.path.lexists(place / part) for part in inside):
            found.append(place)
    return found


def _folders_in(place: Path) -> list[Path]:
    try:
        with os.scandir(place) as entries:
            return [
                Path(entry.path)
                for entry in entries
                if not entry.name.startswith(".") and entry.is_dir(follow_symlinks=False)
            ]
    except OSError:
        return []
