"""What recorders write into WAV files, field by field: bext, cue points, tracks.

References
----------
.. [1] EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2, 2011 (bext).
.. [2] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
   (cue, LIST/adtl labl).
.. [3] iXML specification, revision 2.10, 2021 (TRACK_LIST); from memory.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import BinaryIO
from xml.etree import ElementTree

MAX_CHUNK = 1 << 20  # bytes of one text chunk that are read; real ones hold a few thousand


MAX_CHUNKS = 256


MAX_TEXT = 300  # characters kept of one field


KEY = re.compile(
    r"(?:^|[\r\n;,])\s*[a-z]?(session|project|scene|take|note|mic)\s*[=:]\s*([^\r\n;,]+)", re.I
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


MAX_CUES = 500  # more is a broken chunk


def bext_origin(body: bytes) -> dict[str, str]:
    """Read originator, date, time and time reference; fields that are not there are left out.

    Parameters
    ----------
    body : bytes, of the chunk

    Returns
    -------
    dict with any of "originator", "reference", "date" (yyyy-mm-dd), "time" (hh:mm:ss) and
    "time_reference" (samples since midnight)
    """
    fields = {
        "originator": _text(body[256:288]),
        "reference": _text(body[288:320]),
        "date": _date(_text(body[320:330])),
        "time": _time(_text(body[330:338])),
    }
    if len(body) >= 346:
        low, high = struct.unpack_from("<II", body, 338)
        fields["time_reference"] = str((high << 32) + low) if high < 1 << 16 else ""
    return {key: value for key, value in fields.items() if value and value != "0"}


def _text(data: bytes) -> str:
    text = data.split(b"\0", 1)[0].decode("utf-8", errors="replace")
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _date(text: str) -> str:
    """Any single sign may stand between the numbers [1]_."""
    digits = text[:4] + text[5:7] + text[8:10]
    try:
        return datetime.strptime(digits, "%Y%m%d").strftime("%Y-%m-%d")
    except ValueError:
        return ""


def _time(text: str) -> str:
    digits = text[:2] + text[3:5] + text[6:8]
    try:
        return datetime.strptime(digits, "%H%M%S").strftime("%H:%M:%S")
    except ValueError:
        return ""


def cue_points(cue: bytes, labels: Mapping[int, str]) -> list[tuple[int, str]]:
    """Read cue points [2]_ as (frame, label), in order of time.

    Parameters
    ----------
    cue : bytes, body of the "cue " chunk
    labels : mapping of cue number to label, as `cue_labels` gives it
    """
    if len(cue) < 4:
        return []
    count = min(struct.unpack_from("<I", cue)[0], MAX_CUES, (len(cue) - 4) // 24)
    found = []
    for at in range(4, 4 + 24 * count, 24):
        number, *_, frame = struct.unpack_from("<IIIIII", cue, at)
        found.append((int(frame), labels.get(number, "")))
    return sorted(found)


def cue_labels(body: bytes) -> dict[int, str]:
    """Read the labels of a LIST/adtl chunk [2]_, by cue number."""
    labels: dict[int, str] = {}
    at = 4
    while at + 12 <= len(body) and len(labels) < MAX_CUES:
        size = int(struct.unpack_from("<I", body, at + 4)[0])
        if body[at : at + 4] == b"labl" and size >= 4:
            number = int(struct.unpack_from("<I", body, at + 8)[0])
            labels[number] = _text(body[at + 12 : at + 8 + size])[:100]
        at += 8 + size + size % 2
    return labels
