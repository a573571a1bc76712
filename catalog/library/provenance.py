"""Where a hit comes from: what the recorder wrote into the file, and what names and folders tell.

Sizes in a file are never trusted: every read is bounded by the file's end and by `MAX_CHUNK`.

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
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO
from xml.etree import ElementTree

from catalog.library.recorder import bext_origin, cue_labels, cue_points
from catalog.library.roles import NEUTRAL, ROLE_WORDS, WORD, is_instrument, split_words, word_set
from catalog.library.side_words import without_side

MAX_CHUNK = 1 << 20  # bytes of one text chunk that are read; real ones hold a few thousand
MAX_CHUNKS = 256
MAX_TEXT = 300  # characters kept of one field
LAYERS = word_set(
    "soft softer softest hard harder hardest med medium loud louder quiet ghost accent rr v vel vl"
    " velocity layer lay hit stroke str round robin alt pp p mp mf f ff fff take tk"
)
MICROPHONES = word_set(
    "oh ohl ohr ohc overhead overheads room rooml roomr amb ambl ambr ambience close spot top"
    " bottom btm bot under in out inside outside near far front back mono stereo xy ortf trigger"
    " sub contact phone handheld mic mics mike hall wide knee"
)
SIDES = word_set("l r c left right centre center")  # after a microphone's word: which of them
PLAIN = word_set("wav wave flac aiff aif mp3 bit khz hz audio raw files samples oneshots")
# What is kept of a file's own words, for searching and for exports.
ORIGIN_BEXT = ("description", "originator", "reference", "date", "time", "time_reference")
ORIGIN_INFO = ("comment", "title", "artist", "created")
ORIGIN = frozenset(
    (*ORIGIN_BEXT, *ORIGIN_INFO, "project", "scene", "take", "note", "tracks", "cues")
)
SEPARATORS = re.compile(r"[\s_\-.,+()\[\]]+")
KEY = re.compile(
    r"(?:^|[\r\n;,])\s*[a-z]?(session|project|scene|take|note|mic)\s*[=:]\s*([^\r\n;,]+)", re.I
)


@dataclass(frozen=True)
class Provenance:
    """Where a hit comes from; "" where nothing tells, `stroke` 0; `origin` is what is written."""

    session: str = ""
    drum: str = ""
    microphone: str = ""
    take: str = ""
    note: str = ""
    stroke: int = 0
    session_source: str = ""
    origin: Mapping[str, str] = field(default_factory=dict)


def find_provenance(path: str | Path, *, root: str | Path, mate: Path | None = None) -> Provenance:
    """Put together what the file's chunks, its name and its folders tell.

    What the recorder wrote counts before the name, and the name before the folders.

    Parameters
    ----------
    path : str or Path
    root : str or Path
        the scanned folder; names above it are not read
    mate : Path, optional
        the right side's file where `path` is the left one: sides are left out of the names then

    Returns
    -------
    Provenance
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
    """Name the nearest folder that is more than an instrument, a microphone or a strength.

    A folder named after an instrument that the file's own name repeats is no session either
    ("SnareRest/1-SnareRest-OHL"). The climb ends at `root`, whose name will do if no other does.
    Folders between `root` and that one stay in the name ("2024/barn"): two may be called alike.
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
    """Take a file name apart into drum, microphone, take and stroke number.

    A number that stands alone counts strokes; one written onto a word ("Tom1") belongs to the
    drum. A last part that repeats the drum's own first word ("1-HihatClosed-Hihat") is the name of
    the microphone that stood there.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Provenance, `session` and `note` empty
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
    if strokes == [] and not parts:
        strokes = [0]
    return Provenance("", drum, _join(microphone), take, "", strokes[-1] if strokes else 0)


def _join(parts: list[list[str]]) -> str:
    return " ".join("".join(part) for part in parts)


def _microphone_parts(parts: list[list[str]]) -> int:
    """Count the last parts that name a microphone: "oh" is one, "oh left" are two."""
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
    """Take away stroke numbers and words of strength; give what is left and the numbers."""
    left, numbers = [], []
    for at, part in enumerate(parts):
        kept = list(part)
        if _counts_drums(parts, at):
            left.append(kept)
            continue
        while kept and (kept[-1].casefold() in LAYERS or _counts(kept)):
            last = kept.pop()
            numbers += [int(last[-9:])] if last.isdecimal() else []
        if kept:
            left.append(kept)
    return left, numbers


def _counts_drums(parts: list[list[str]], at: int) -> bool:
    """Tell whether a part is the 2 of "Tom 2 - 07": after an instrument, with another counter."""
    alone = [part[0].isdecimal() and len(part) == 1 for part in parts]
    if not (at > 0 and alone[at] and len(parts[at][0]) == 1 and sum(alone) > 1):
        return False
    return any(token.casefold() in ROLE_WORDS for token in parts[at - 1])


def _counts(part: list[str]) -> bool:
    """Tell whether the last token is a counter: alone, of two digits, or after a word like "rr"."""
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
    """Read what the recorder wrote: bext [1]_, LIST/INFO [2]_ and iXML, or FLAC's comments.

    Parameters
    ----------
    path : Path

    Returns
    -------
    Provenance, empty where nothing is written or it cannot be made out
    """
    try:
        with open(path, "rb") as file:
            fields = _riff_fields(file) or _flac_fields(file)
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


def walk_chunks(file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """Give (name, first bytes) of each chunk of a RIFF, RF64 or BW64 file that holds WAVE.

    A size beyond the end of the file ends the walk there; audio is stepped over unread [3]_.
    """
    file.seek(0, 2)
    end = file.tell()
    file.seek(0)
    head = file.read(12)
    if head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return
    long_data = 0
    for _ in range(MAX_CHUNKS):
        header = file.read(8)
        if len(header) < 8:
            return
        name, size = header[:4], int(struct.unpack("<I", header[4:])[0])
        start = file.tell()
        if name == b"data":
            size = long_data if size == 0xFFFFFFFF else size
            yield name, b""
        else:
            body = file.read(min(size, MAX_CHUNK))
            if name == b"ds64" and len(body) >= 16:
                long_data = int(struct.unpack_from("<Q", body, 8)[0])
            yield name, body
        if start + size >= end:
            return
        file.seek(start + size + size % 2)


def _riff_fields(file: BinaryIO) -> dict[str, str]:
    """Read all three kinds; iXML counts before bext, and bext before INFO."""
    info, bext, ixml = dict[str, str](), dict[str, str](), dict[str, str]()
    cue, labels = b"", dict[int, str]()
    for name, body in walk_chunks(file):
        if name == b"bext":
            bext = _bext_fields(body)
        elif name == b"LIST" and body[:4] == b"INFO":
            info = _info_fields(body)
        elif name == b"iXML":
            ixml = _ixml_fields(body)
        elif name == b"cue ":
            cue = body
        elif name == b"LIST" and body[:4] == b"adtl":
            labels = cue_labels(body)
    cues = "; ".join(f"{frame} {label}".strip() for frame, label in cue_points(cue, labels))
    return {**info, **bext, **ixml, **({"cues": cues} if cues else {})}


def _bext_fields(body: bytes) -> dict[str, str]:
    description = bext_text(body)
    return {**_keyed(description), **bext_origin(body), "description": free_text(description)}


def bext_text(body: bytes) -> str:
    """Give the description of a bext chunk [1]_."""
    return _raw_text(body[:256])


def free_text(description: str) -> str:
    """Give what of a description are free words, no "key=value"."""
    return _clean(KEY.sub("", description).strip(" ;,\r\n"))


def _keyed(text: str) -> dict[str, str]:
    return {key.lower(): _clean(value) for key, value in KEY.findall(text)}


def _info_fields(body: bytes) -> dict[str, str]:
    fields, at = {}, 4
    names = {b"ICMT": "comment", b"INAM": "title", b"IART": "artist", b"ICRD": "created"}
    while at + 8 <= len(body):
        size = int(struct.unpack_from("<I", body, at + 4)[0])
        if name := names.get(body[at : at + 4]):
            fields[name] = _clean(_raw_text(body[at + 8 : at + 8 + size]))
        at += 8 + size + size % 2
    return {**fields, **_keyed(fields.get("comment", ""))}


def _ixml_fields(body: bytes) -> dict[str, str]:
    if b"<!" in body.replace(b"<!--", b""):  # entities can grow without bound; recorders use none
        return {}
    try:
        tree = ElementTree.fromstring(body.rstrip(b"\0 \r\n"))
    except ElementTree.ParseError:
        return {}
    names = {"PROJECT": "project", "SCENE": "scene", "TAKE": "take", "NOTE": "note"}
    fields = {key: _clean(tree.findtext(tag) or "") for tag, key in names.items()}
    tracks = [_clean(t.findtext("NAME") or "") for t in tree.iterfind("TRACK_LIST/TRACK")]
    if len(tracks) == 1:  # one track: its name is that of the microphone
        fields["mic"] = tracks[0]
    fields["tracks"] = ", ".join(tracks)[:MAX_TEXT]
    return {key: text for key, text in fields.items() if text}


def _flac_fields(file: BinaryIO) -> dict[str, str]:
    file.seek(0)
    if file.read(4) != b"fLaC":
        return {}
    for _ in range(MAX_CHUNKS):
        header = file.read(4)
        if len(header) < 4:
            return {}
        size = int.from_bytes(header[1:], "big")
        if header[0] & 0x7F == 4:
            return _comment_fields(file.read(min(size, MAX_CHUNK)))
        if header[0] & 0x80:
            return {}
        file.seek(size, 1)
    return {}


def _comment_fields(body: bytes) -> dict[str, str]:
    at = 4 + int(struct.unpack_from("<I", body)[0])
    fields: dict[str, str] = {}
    at += 4
    while at + 4 <= len(body):
        size = int(struct.unpack_from("<I", body, at)[0])
        key, _, value = _raw_text(body[at + 4 : at + 4 + size]).partition("=")
        fields[key.strip().lower()] = _clean(value)
        at += 4 + size
    return {**_keyed(fields.get("description", "")), **_keyed(fields.get("comment", "")), **fields}


def _raw_text(data: bytes) -> str:
    data = data.split(b"\0", 1)[0]
    try:
        return data.decode()
    except UnicodeDecodeError:
        return data.decode("latin-1")


def _clean(text: str) -> str:
    """Drop control characters, fold white space, and bound the length."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split())[:MAX_TEXT]
