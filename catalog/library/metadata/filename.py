"""The provenance of a hit: from the file's chunks, its name and its folders.

Sizes in a file are not trusted: every read is bounded by the end of the file and by `MAX_CHUNK`.

References
----------
.. [1] EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2, 2011 (bext).
.. [2] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
   (RIFF, LIST/INFO).
.. [3] EBU Tech 3306, "MBWF / RF64", 2009 (ds64).
"""

from __future__ import annotations

import itertools
import re
import struct
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from catalog.audio.metadata.media_tags import read_media_tags
from catalog.audio.metadata.tags import read_flac_tags, read_riff_tags
from catalog.library.metadata.damping import DAMPING_WORDS
from catalog.library.metadata.microphone_names import (
    MICROPHONES,
    count_microphone_parts,
    split_joined,
    without_side,
)
from catalog.library.metadata.name_numbers import LAYERS, without_counters
from catalog.library.metadata.recorder_names import DEVICE_WORDS, FILE_WORDS, is_recorder_name
from catalog.library.metadata.roles import (
    NEUTRAL,
    ROLE_WORDS,
    WORD,
    is_instrument,
    split_words,
    word_set,
)

# The fields of chunks that are kept, for searches and exports.
ORIGIN_BEXT = ("description", "originator", "reference", "date", "time", "time_reference")
ORIGIN_INFO = ("comment", "title", "artist", "created")
ORIGIN = frozenset(
    (*ORIGIN_BEXT, *ORIGIN_INFO, "project", "scene", "take", "note", "tracks", "cues")
)
SEPARATORS = re.compile(r"[\s_\-.,+()\[\]]+")
YEAR_DIGITS = 4
DEVICE_FOLDERS = DEVICE_WORDS | word_set("phone handheld")


@dataclass(frozen=True)
class Provenance:
    """Where a hit comes from, see `Hit`; "" and 0 if unknown."""

    session: str = ""
    drum: str = ""
    microphone: str = ""
    take: str = ""
    note: str = ""
    stroke: int = 0  # counted in the name
    session_source: str = ""
    origin: Mapping[str, str] = field(default_factory=dict)  # chunks of the file, see `ORIGIN`


def find_provenance(path: str | Path, *, root: str | Path, mate: Path | None = None) -> Provenance:
    """Return the provenance of a file by its chunks, its name and its folders.

    Chunks count before the name, and the name before the folders, up to the scanned folder `root`.
    Names are composed (NFC), so that a session keeps its name on a disk of macOS.
    Sides are left out of the names if the file has a `mate`, which is its right channel.
    """
    written = read_chunks(Path(path))
    place, root = _composed(path), _composed(root)
    named = read_name(place)
    if mate is not None:
        named = read_name(place.with_name(without_side(place.stem) + place.suffix))
        written = replace(written, microphone=without_side(written.microphone))
    session = written.session or session_folder(place, root=root)
    source = "file" if written.session else "folder"
    return Provenance(
        session=session,
        drum=_with_folder(named.drum, place, root),
        microphone=written.microphone or named.microphone,
        take=written.take or named.take,
        note=written.note,
        stroke=named.stroke,
        session_source=source,
        origin={**written.origin, "session_by_rule": session, "session_source": source},
    )


def _composed(path: str | Path) -> Path:
    text = str(path)
    return Path(text if text.isascii() else unicodedata.normalize("NFC", text))


def _with_folder(drum: str, path: Path, root: Path) -> str:
    """Return the name of a drum with its folder's if that holds a size, a number or damping.

    Only a folder of one instrument counts, as "snare 14 muted" does, or of one drum in a session;
    what the file's name repeats is left out.
    """
    own, stem = _own_folders(path, root), split_words(path.stem)
    is_drum = len(own) > 1 and _is_drum_in(own[0].name, own[1].name)
    folder = own[0] if is_drum else path.parent
    words = split_words(folder.name)
    kept = [word for word in words if is_drum or word.isdigit() or word in DAMPING_WORDS]
    if folder == root or drum == folder.name or all(word in stem for word in kept):
        return drum
    if not (is_drum or (_names_role(folder.name) and _is_plain(folder.name))):
        return drum
    own_words = [word for word in split_words(drum) if word not in ROLE_WORDS]
    return f"{folder.name} {drum}" if own_words else folder.name


def _own_folders(path: Path, root: Path) -> list[Path]:
    """Return the folders below `root` that are more than an instrument, the nearest first."""
    stem = path.stem.casefold()
    folders = itertools.takewhile(lambda folder: folder != root, path.parents)
    own = [folder for folder in folders if not _is_plain(folder.name)]
    return [f for f in own if not (f.name.casefold() in stem and _names_role(f.name))]


def session_folder(path: Path, *, root: Path) -> str:
    """Return the nearest folder that is more than an instrument, a microphone or a strength.

    A folder named after an instrument is no session either if the name of the file repeats it
    ("SnareRest/1-SnareRest-OHL"), or if a number follows it or the folder around it names the same
    instrument ("Cellar snares/snare 14a basic"). The search ends at `root`. If no folder fits, the
    name of `root` is used, or that of a device's folder beside other sessions ("Handheld").
    The result holds the folders below `root` ("2024/barn"), since two may have one name.
    """
    own = _own_folders(path, root)
    while len(own) > 1 and _is_drum_in(own[0].name, own[1].name):
        own.pop(0)
    if not own and root in path.parent.parents:
        first = root / path.relative_to(root).parts[0]
        own = [first] if _is_device(first.name) and _holds_sessions(root) else []
    if not own:
        return root.name
    return own[0].relative_to(root).as_posix() if root in own[0].parents else own[0].name


def _is_drum_in(name: str, outer: str) -> bool:
    """Return whether a folder in another one names a drum of that session."""
    words = split_words(name)
    if words[0] not in ROLE_WORDS:
        return False
    is_numbered = len(words) > 1 and words[1].isdigit() and len(words[1]) < YEAR_DIGITS
    role, _ = ROLE_WORDS[words[0]]
    return is_numbered or any(ROLE_WORDS.get(w, ("",))[0] == role for w in split_words(outer))


def _is_device(name: str) -> bool:
    words = [word for word in split_words(name) if not word.isdigit()]
    return bool(words) and all(word in DEVICE_FOLDERS for word in words)


def _holds_sessions(root: Path) -> bool:
    """Return whether a folder holds another one that is more than an instrument or a device."""
    try:
        return _has_own_folder(root, root.stat().st_mtime_ns)
    except OSError:
        return False


@lru_cache(maxsize=64)
def _has_own_folder(root: Path, mtime_ns: int) -> bool:
    """List a folder once for each time that it was changed."""
    return any(path.is_dir() and not _is_plain(path.name) for path in root.iterdir())


@lru_cache(maxsize=1024)
def _names_role(name: str) -> bool:
    return any(word in ROLE_WORDS for word in split_words(name))


@lru_cache(maxsize=1024)
def _is_plain(name: str) -> bool:
    words = split_words(name)
    numbers = [word for word in words if word.isdigit()]
    letters = [word for word in words if not word.isdigit()]
    if not letters:  # a date is a session, a counter is not
        return max(map(len, numbers), default=0) < 4 and len(numbers) < 3
    plain = LAYERS | MICROPHONES | FILE_WORDS | DEVICE_WORDS | DAMPING_WORDS.keys() | NEUTRAL
    return all(word in plain or word in ROLE_WORDS for word in letters) or is_instrument(words)


def read_name(path: Path) -> Provenance:
    """Parse a file name into drum, microphone, take and stroke number.

    A separate number counts strokes; a number joined to a word ("Tom1"), and the size of a drum
    ("kick 22"), is part of the name of the drum. A last part that repeats the first word of the
    drum ("1-HihatClosed-Hihat") names the microphone. A name that a recorder gave ("ZZ0001_Tr1")
    is a drum of its own, unless the folder names an instrument. The session and the note stay
    empty.
    """
    parts = [words for part in SEPARATORS.split(path.stem) if (words := WORD.findall(part))]
    if is_recorder_name(parts):
        return _read_recorder_name(parts, path)
    take = _number_after(parts, ("take", "tk"))
    parts, microphone = _split_microphone(split_joined(parts))
    parts, strokes = without_counters(parts, path)
    parts, inner = _split_microphone(parts)
    microphone = inner + microphone
    if len(parts) > 1 and parts[-1][0].casefold() == parts[-2][0].casefold():
        microphone.insert(0, parts.pop())
    drum = _join(parts) or path.parent.name
    return Provenance("", drum, _join(microphone), take, "", strokes[-1] if strokes else 0)


def _read_recorder_name(parts: list[list[str]], path: Path) -> Provenance:
    """Return the whole name without its track as the drum, or the folder of an instrument."""
    parts, microphone = _split_microphone(parts)
    numbers = [int(token[-9:]) for part in parts for token in part if token.isdecimal()]
    folder = path.parent.name
    drum = folder if is_instrument(_instrument_words(folder)) else _join(parts)
    return Provenance("", drum or folder, _join(microphone), stroke=numbers[-1] if numbers else 0)


def _instrument_words(folder: str) -> list[str]:
    return [word for word in split_words(folder) if word not in DAMPING_WORDS]


def _split_microphone(
    parts: list[list[str]],
) -> tuple[list[list[str]], list[list[str]]]:
    """Split the last parts that name a microphone off a name; one part is left at least."""
    microphone: list[list[str]] = []
    while len(parts) > 1 and (n_parts := count_microphone_parts(parts)):
        n_parts = min(n_parts, len(parts) - 1)
        microphone = parts[-n_parts:] + microphone
        parts = parts[:-n_parts]
    return parts, microphone


def _join(parts: list[list[str]]) -> str:
    return " ".join("".join(part) for part in parts)


def _number_after(parts: list[list[str]], words: tuple[str, ...]) -> str:
    flat = [token for part in parts for token in part]
    pairs = itertools.pairwise(flat)
    return next(
        (b.lstrip("0") or "0" for a, b in pairs if a.casefold() in words and b.isdigit()), ""
    )


def read_chunks(path: Path) -> Provenance:
    """Read the chunks that a recorder writes: bext [1]_, LIST/INFO [2]_ and iXML, or FLAC comments.

    The result is empty if there are no chunks or they cannot be parsed.
    """
    try:
        with open(path, "rb") as file:
            fields = read_riff_tags(file) or read_flac_tags(file) or read_media_tags(path)
    except (OSError, struct.error):
        return Provenance()
    take = fields.get("take", "")
    return Provenance(
        session=fields.get("session") or fields.get("project", ""),
        microphone=fields.get("mic", ""),
        take=take.lstrip("0") or take,
        note=fields.get("note") or fields.get("description") or fields.get("comment", ""),
        origin={key: text for key, text in fields.items() if key in ORIGIN and text},
    )
