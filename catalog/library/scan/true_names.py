"""Paths as the disk has them, on file systems that match names in any case or Unicode form.

A folder that is typed in another case or form than before would otherwise be another folder, and
each of its hits would be there twice.
"""

from __future__ import annotations

import os
import unicodedata


def true_path(path: str) -> str:
    """Return an absolute path, without links, with each name as its folder lists it."""
    folder, name = os.path.split(path)
    if not name:
        return path  # the top of a disk
    parent = true_path(folder)
    return os.path.join(parent, _true_name(parent, name))


def _true_name(folder: str, name: str) -> str:
    others = {name.swapcase(), *(unicodedata.normalize(form, name) for form in ("NFC", "NFD"))}
    if not any(os.path.lexists(os.path.join(folder, other)) for other in others - {name}):
        return name  # the disk tells names of another case or form apart
    try:
        names = os.listdir(folder)
    except OSError:  # it may be opened only
        return name
    if name in names:
        return name
    return next((other for other in names if _key(other) == _key(name)), name)


def _key(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
