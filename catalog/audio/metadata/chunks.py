"""Walk the chunks of a WAV file and decode the text in them.

The reader is our own because every read must be bounded by the end of the file and by
`MAX_CHUNK`, also in broken and hostile files, which `tests/trust` generates by the thousand.

References
----------
.. [1] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
   (RIFF).
.. [2] EBU Tech 3306, "MBWF / RF64", 2009 (ds64).
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from typing import BinaryIO

MAX_CHUNK = 1 << 20  # bytes read of one text chunk; real ones hold a few thousand
MAX_CHUNKS = 256  # chunks read of one file
MAX_TEXT = 300  # characters kept of one field
PAIR = re.compile(
    r"(?:^|[\r\n;,])\s*[a-z]?(session|project|scene|take|note|mic)\s*[=:]\s*([^\r\n;,]+)", re.I
)
UNKNOWN_SIZE = 0xFFFFFFFF  # the size is in the ds64 chunk [2]_


def walk_chunks(file: BinaryIO) -> Iterator[tuple[bytes, bytes]]:
    """Yield the name and the first bytes of each chunk of a RIFF, RF64 or BW64 WAVE file.

    The audio is skipped unread, and a size beyond the end of the file ends the walk [1]_ [2]_.
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
            size = long_data if size == UNKNOWN_SIZE else size
            yield name, b""
        else:
            body = file.read(min(size, MAX_CHUNK))
            if name == b"ds64" and len(body) >= 16:
                long_data = int(struct.unpack_from("<Q", body, 8)[0])
            yield name, body
        if start + size >= end:
            return
        file.seek(start + size + size % 2)


def walk_subchunks(body: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield the name and the content of each part of a LIST chunk [1]_."""
    at = 4
    while at + 8 <= len(body):
        size = int(struct.unpack_from("<I", body, at + 4)[0])
        yield body[at : at + 4], body[at + 8 : at + 8 + size]
        at += 8 + size + size % 2


def decode_text(data: bytes) -> str:
    """Decode a null-terminated field: UTF-8, or Latin-1 where it is not valid UTF-8."""
    data = data.split(b"\0", 1)[0]
    try:
        return data.decode()
    except UnicodeDecodeError:
        return data.decode("latin-1")


def clean_text(text: str) -> str:
    """Replace control characters, collapse white space, and cut to `MAX_TEXT` characters."""
    printable = "".join(c if c.isprintable() else " " for c in text)
    return " ".join(printable.split())[:MAX_TEXT]


def find_pairs(text: str) -> dict[str, str]:
    """Return the "key=value" pairs of a description whose keys name a session, take or the like."""
    return {key.lower(): clean_text(value) for key, value in PAIR.findall(text)}


def free_text(text: str) -> str:
    """Return a description without its "key=value" pairs."""
    return clean_text(PAIR.sub("", text).strip(" ;,\r\n"))
