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
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from catalog.audio.tags import read_flac_tags, read_riff_tags
from catalog.library.metadata.roles import (
    NEUTRAL,
    ROLE_WORDS,
    WORD,
    is_instrument,
    split_words,
    word_set,
)

LAYERS = word_set(
    "soft softer softest hard harder hardest med medium loud louder quiet ghost accent rr v vel vl"
    " velocity layer lay hit stroke str round robin alt pp p mp mf f ff fff take tk"
)
MICROPHONES = word_set(
    "oh ohl ohr ohc overhead overheads room rooml roomr amb ambl ambr ambience close spot top"
    " bottom btm bot under in out inside outside near far front back mono stereo xy ortf trigger"
    " sub contact phone handheld mic mics mike hall wide knee"
)
SIDES = word_set("l r c left right centre center")  # of a microphone, after its word
PLAIN = word_set("wav wave flac aiff aif mp3 bit khz hz audio raw files samples oneshots")
# The fields of chunks that are kept, for searches and exports.
ORIGIN_BEXT = ("description", "originator", "reference", "date", "time", "time_reference")
ORIGIN_INFO = ("comment", "title", "artist", "created")
ORIGIN = frozenset(
    (*ORIGIN_BEXT, *ORIGIN_INFO, "project", "scene", "take", "note", "tracks", "cues")
)
SEPARATORS = re.compile(r"[\s_\-.,+()\[\]]+")
SIDE = re.compile(
    r"(?:^|[\s_\-.+()\[\]])(?:oh|overheads?|rooms?|amb(?:ience)?|hall|wide|far|near|xy|ortf|mics?)?"
    r"(?P<side>left|right|l|r)(?=$|[\s_\-.+()\[\]])",
    re.I,
)


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
    Sides are left out of the names if the file has a `mate`, which is its right channel.
    """
    place = Path(path)
    written = read_chunks(place)
    named = read_name(place)
    if mate is not None:
        named = read_name(place.with_name(without_side(place.stem) + place.suffix))
        written = replace(written, microphone=without_side(written.microphone))
    session = written.session or session_folder(place, root=Path(root))
    source = "file" if written.session else "folder"
    return Provenance(
        session=session,
        drum=named.drum,
        microphone=written.microphone or named.microphone,
        take=written.take or named.take,
        note=written.note,
        stroke=named.stroke,
        session_source=source,
        origin={**written.origin, "session_by_rule": session, "session_source": source},
    )


def session_folder(path: Path, *, root: Path) -> str:
    """Return the nearest folder that is more than an instrument, a microphone or a strength.

    A folder named after an instrument that the name of the file repeats is no session either
    ("SnareRest/1-SnareRest-OHL"). The search ends at `root`, whose name is used if no other fits.
    The result holds the folders below `root` ("2024/barn"), since two may have one name.
    """
    stem = path.stem.casefold()
    for folder in path.parents:
        name = folder.name
        if folder == root:
            return name
        repeated = name.casefold() in stem and _names_role(name)
        if not (repeated or _is_plain(name)):
            return folder.relative_to(root).as_posix() if root in folder.parents else name
    return root.name


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
    plain = LAYERS | MICROPHONES | PLAIN | NEUTRAL
    return all(word in plain or word in ROLE_WORDS for word in letters) or is_instrument(words)


def read_name(path: Path) -> Provenance:
    """Parse a file name into drum, microphone, take and stroke number.

    A separate number counts strokes; a number joined to a word ("Tom1") is part of the name of
    the drum. A last part that repeats the first word of the drum ("1-HihatClosed-Hihat") names the
    microphone. The session and the note stay empty.
    """
    parts = [words for part in SEPARATORS.split(path.stem) if (words := WORD.findall(part))]
    take = _number_after(parts, ("take", "tk"))
    parts, strokes = _without_counters(parts)
    microphone: list[list[str]] = []
    while len(parts) > 1 and (n_parts := _microphone_parts(parts)):
        microphone = parts[-n_parts:] + microphone
        parts = parts[:-n_parts]
    if len(parts) > 1 and parts[-1][0].casefold() == parts[-2][0].casefold():
        microphone.insert(0, parts.pop())
    drum = _join(parts) or path.parent.name
    return Provenance("", drum, _join(microphone), take, "", strokes[-1] if strokes else 0)


def _join(parts: list[list[str]]) -> str:
    return " ".join("".join(part) for part in parts)


def _microphone_parts(parts: list[list[str]]) -> int:
    """Return how many last parts name a microphone: 1 for "oh", 2 for "oh left", 0 if none."""
    if _is_microphone(parts[-1]):
        return 1
    side = "".join(parts[-1]).casefold() in SIDES
    return 2 if side and len(parts) > 2 and _is_microphone(parts[-2]) else 0


def _is_microphone(part: list[str]) -> bool:
    words = [token.casefold() for token in part if not token.isdigit()]
    return bool(words) and all(
        word in MICROPHONES or (at > 0 and word in SIDES) for at, word in enumerate(words)
    )


def _without_counters(parts: list[list[str]]) -> tuple[list[list[str]], list[int]]:
    """Return the parts without stroke numbers and words of strength, and the numbers."""
    left, numbers = [], []
    for at, part in enumerate(parts):
        kept = list(part)
        if _is_drum_number(parts, at):
            left.append(kept)
            continue
        while kept and (kept[-1].casefold() in LAYERS or _is_counter(kept)):
            last = kept.pop()
            numbers += [int(last[-9:])] if last.isdecimal() else []
        if kept:
            left.append(kept)
    return left, numbers


def _is_drum_number(parts: list[list[str]], at: int) -> bool:
    """Return whether a part numbers a drum, as in "Tom 2 - 07": there is another counter."""
    alone = [part[0].isdecimal() and len(part) == 1 for part in parts]
    if not (at > 0 and alone[at] and len(parts[at][0]) == 1 and sum(alone) > 1):
        return False
    return any(token.casefold() in ROLE_WORDS for token in parts[at - 1])


def _is_counter(part: list[str]) -> bool:
    """Return whether the last token is a counter: alone, of two digits, or after a word as "rr"."""
    last = part[-1]
    alone = len(part) == 1 or len(last) > 1 or part[-2].casefold() in LAYERS
    return last.isdecimal() and alone


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
            fields = read_riff_tags(file) or read_flac_tags(file)
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


def find_side(name: str) -> re.Match[str] | None:
    """Find the last side in a name: a separate word or the end of a microphone's name ("OHL")."""
    return next(iter(list(SIDE.finditer(name))[::-1]), None)


def without_side(name: str) -> str:
    """Return a name without its side: "snare OH" for "snare OHL" or "snare OH left"."""
    side = find_side(name)
    return name if side is None else (name[: side.start("side")] + name[side.end("side") :]).strip()
