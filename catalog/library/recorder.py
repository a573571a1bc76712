"""What recorders write into WAV files, field by field: bext, cue points, tracks.

References
----------
.. [1] EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2, 2011 (bext).
.. [2] Microsoft and IBM, "Multimedia Programming Interface and Data Specifications 1.0", 1991
   (cue, LIST/adtl labl).
.. [3] iXML specification, revision 2.10, 2021 (TRACK_LIST); from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from datetime import datetime

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
