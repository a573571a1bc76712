"""Read the text that recorders write into WAV and FLAC files, and cue points.

References
----------
.. [1] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
   (LIST/INFO, cue, LIST/adtl labl).
.. [2] iXML specification, revision 2.10, 2021 (TRACK_LIST); from memory.
.. [3] IETF RFC 9639, "Free Lossless Audio Codec (FLAC)", 2024 (metadata blocks); from memory.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping
from typing import BinaryIO
from xml.etree import ElementTree

from catalog.audio.metadata.bext import bext_description, parse_bext_origin
from catalog.audio.metadata.chunks import (
    MAX_CHUNK,
    MAX_CHUNKS,
    MAX_TEXT,
    clean_text,
    decode_text,
    find_pairs,
    free_text,
    walk_chunks,
    walk_subchunks,
)

MAX_CUES = 500  # a larger count is a broken chunk
MAX_LABEL = 100  # characters of a cue label
INFO_FIELDS = {b"ICMT": "comment", b"INAM": "title", b"IART": "artist", b"ICRD": "created"}
IXML_FIELDS = {"PROJECT": "project", "SCENE": "scene", "TAKE": "take", "NOTE": "note"}
COMMENT_BLOCK = 4  # type of the FLAC metadata block that holds Vorbis comments [3]_
XML_DECLARATION = re.compile(rb"\s*<\?xml[^>]*?encoding=[\"']([\w.-]+)[\"'][^>]*\?>")


def read_riff_tags(file: BinaryIO) -> dict[str, str]:
    """Read the fields of a WAV file; iXML overrides bext, and bext overrides LIST/INFO.

    The result is empty if it is no WAV file. "cues" holds "frame label; frame label".
    """
    info, bext, ixml = dict[str, str](), dict[str, str](), dict[str, str]()
    cue, labels = b"", dict[int, str]()
    for name, body in walk_chunks(file):
        if name == b"bext":
            bext = _parse_bext(body)
        elif name == b"iXML":
            ixml = _parse_ixml(body)
        elif name == b"cue ":
            cue = body
        elif name == b"LIST" and body[:4] == b"INFO":
            info = _parse_info(body)
        elif name == b"LIST" and body[:4] == b"adtl":
            labels = parse_cue_labels(body)
    cues = "; ".join(f"{frame} {label}".strip() for frame, label in parse_cue_points(cue, labels))
    return {**info, **bext, **ixml, **({"cues": cues} if cues else {})}


def _parse_bext(body: bytes) -> dict[str, str]:
    text = bext_description(body)
    return {**find_pairs(text), **parse_bext_origin(body), "description": free_text(text)}


def _parse_info(body: bytes) -> dict[str, str]:
    fields = {
        INFO_FIELDS[name]: clean_text(decode_text(content))
        for name, content in walk_subchunks(body)
        if name in INFO_FIELDS
    }
    return {**fields, **find_pairs(fields.get("comment", ""))}


def _parse_ixml(body: bytes) -> dict[str, str]:
    if b"<!" in body.replace(b"<!--", b""):  # entities can grow without bound; recorders use none
        return {}
    try:
        tree = _parse_xml(body.rstrip(b"\0 \r\n"))
    except ElementTree.ParseError:
        return {}
    fields = {key: clean_text(tree.findtext(tag) or "") for tag, key in IXML_FIELDS.items()}
    tracks = [clean_text(t.findtext("NAME") or "") for t in tree.iterfind("TRACK_LIST/TRACK")]
    if len(tracks) == 1:  # a single track is named after its microphone
        fields["mic"] = tracks[0]
    fields["tracks"] = ", ".join(tracks)[:MAX_TEXT]
    return {key: text for key, text in fields.items() if text}


def _parse_xml(body: bytes) -> ElementTree.Element:
    try:
        return ElementTree.fromstring(body)
    except (ValueError, LookupError):  # an encoding that the XML parser does not know
        declaration = XML_DECLARATION.match(body)
        name = declaration[1].decode() if declaration else "utf-8"
        start = declaration.end() if declaration else 0
        try:
            return ElementTree.fromstring(body[start:].decode(name, "replace"))
        except LookupError:
            return ElementTree.fromstring(body[start:].decode("utf-8", "replace"))


def parse_cue_points(cue: bytes, labels: Mapping[int, str]) -> list[tuple[int, str]]:
    """Read cue points [1]_ as (frame, label), in order of time, from a "cue " chunk."""
    if len(cue) < 4:
        return []
    count = min(struct.unpack_from("<I", cue)[0], MAX_CUES, (len(cue) - 4) // 24)
    found = []
    for at in range(4, 4 + 24 * count, 24):
        number, *_, frame = struct.unpack_from("<IIIIII", cue, at)
        found.append((int(frame), labels.get(number, "")))
    return sorted(found)


def parse_cue_labels(body: bytes) -> dict[int, str]:
    """Read the labels of a LIST/adtl chunk [1]_, by cue number."""
    labels: dict[int, str] = {}
    for name, content in walk_subchunks(body):
        if len(labels) == MAX_CUES:
            break
        if name == b"labl" and len(content) >= 4:
            number = int(struct.unpack_from("<I", content)[0])
            labels[number] = clean_text(decode_text(content[4:]))[:MAX_LABEL]
    return labels


def read_flac_tags(file: BinaryIO) -> dict[str, str]:
    """Read the Vorbis comments of a FLAC file [3]_; empty if it is none or has no comments."""
    file.seek(0)
    if file.read(4) != b"fLaC":
        return {}
    for _ in range(MAX_CHUNKS):
        header = file.read(4)
        if len(header) < 4:
            return {}
        size = int.from_bytes(header[1:], "big")
        if header[0] & 0x7F == COMMENT_BLOCK:
            return _parse_comments(file.read(min(size, MAX_CHUNK)))
        if header[0] & 0x80:  # the last block
            return {}
        file.seek(size, 1)
    return {}


def _parse_comments(body: bytes) -> dict[str, str]:
    at = 8 + int(struct.unpack_from("<I", body)[0])  # after the vendor string and the count
    fields: dict[str, str] = {}
    while at + 4 <= len(body):
        size = int(struct.unpack_from("<I", body, at)[0])
        key, _, value = decode_text(body[at + 4 : at + 4 + size]).partition("=")
        fields[key.strip().lower()] = clean_text(value)
        at += 4 + size
    described, commented = (find_pairs(fields.get(name, "")) for name in ("description", "comment"))
    return {**described, **commented, **fields}
