"""Broadcast Wave written: the bext chunk kept from the recording, moved on, its history continued.

References
----------
.. [1] EBU Tech 3285, "Specification of the Broadcast Wave Format", version 2, 2011 (bext).
.. [2] EBU R 98, "Format for the <CodingHistory> field in Broadcast Wave Format files", 1999.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

from catalog.audio.chunks import bext_origin, bext_text, free_text, walk_chunks
from catalog.models import Hit

BEXT_SIZE = 602  # bytes before the coding history [1]_
UMID = slice(348, 412)  # names the very material; what is written is other material
LOUDNESS = slice(412, 422)  # five values from version 2 on
NO_LOUDNESS = struct.pack("<5h", *[0x7FFF] * 5)  # "not used" [1]_
BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 32}


def read_bext(path: Path) -> bytes:
    """Give the body of the bext chunk of a recording; empty where there is none.

    Parameters
    ----------
    path : Path

    Returns
    -------
    bytes
        at least 602, with the coding history behind them; a shorter chunk counts as none
    """
    try:
        with path.open("rb") as file:
            found = next((body for name, body in walk_chunks(file) if name == b"bext"), b"")
    except (OSError, struct.error):
        return b""
    return found if len(found) >= BEXT_SIZE else b""


def with_bext(
    wav: bytes,
    *,
    description: str,
    origin: Mapping[str, str],
    sr: int,
    at: int,
    to_sr: int | None = None,
    source: bytes = b"",
    history: str = "",
) -> bytes:
    """Give a WAV file a bext chunk, for a part that starts `at` frames into the recording.

    Parameters
    ----------
    wav : bytes, a whole RIFF/WAVE file
    description : str, cut to 256 bytes; empty keeps that of `source`
    origin : mapping, as `bext_origin` gives it; what `source` holds counts before it
    sr : int, Hz, of the recording
    at : int, frames; date, time and time reference are moved on by as much
    to_sr : int, optional, Hz, of the file; the time reference counts its samples
    source : bytes, optional, the body that the recording has, see `read_bext`
    history : str, optional, lines to put behind the coding history

    Returns
    -------
    bytes
    """
    origin = {**origin, **bext_origin(source[:BEXT_SIZE])}
    date, time = origin.get("date", ""), origin.get("time", "")
    if date and time:
        moved = datetime.fromisoformat(f"{date}T{time}") + timedelta(seconds=at / sr)
        date, time = moved.strftime("%Y-%m-%d"), moved.strftime("%H:%M:%S")
    reference = round((int(origin.get("time_reference", "0")) + at) * (to_sr or sr) / sr)
    body = bytearray(source[:BEXT_SIZE].ljust(BEXT_SIZE, b"\0"))
    if description:
        body[:256] = _field(description, 256)
    body[256:338] = b"".join([
        _field(origin.get("originator", ""), 32), _field(origin.get("reference", ""), 32),
        _field(date, 10), _field(time, 8),
    ])  # fmt: skip
    version = min(max(1, int.from_bytes(body[346:348], "little")), 2)
    struct.pack_into("<IIH", body, 338, reference & 0xFFFFFFFF, reference >> 32, version)
    body[UMID] = bytes(64)
    body[LOUDNESS] = NO_LOUDNESS if version >= 2 else bytes(10)
    return _insert(wav, bytes(body) + _continued(source[BEXT_SIZE:], history))


def _continued(before: bytes, history: str) -> bytes:
    """Put lines behind a coding history; each ends with a carriage return and a line feed [2]_."""
    lines = [line.strip() for line in before.split(b"\0", 1)[0].splitlines()]
    lines += [line.strip() for line in history.encode("ascii", errors="replace").splitlines()]
    return b"".join(line + b"\r\n" for line in lines if line)


def _insert(wav: bytes, body: bytes) -> bytes:
    chunk = b"bext" + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)
    size = struct.unpack_from("<I", wav, 4)[0] + len(chunk)
    return wav[:4] + struct.pack("<I", size) + wav[8:12] + chunk + wav[12:]


def _field(text: str, size: int) -> bytes:
    """Fit a text into so many bytes without breaking a character."""
    return text.encode()[:size].decode(errors="ignore").encode().ljust(size, b"\0")


def coding_line(*, sr: int, subtype: str, n_channels: int, text: str) -> str:
    """One step of a coding history [2]_: linear PCM, rate, width, mode, and a text.

    Parameters
    ----------
    sr : int, Hz
    subtype : str, as libsndfile names it
    n_channels : int
    text : str, in which commas become semicolons

    Returns
    -------
    str
        empty where the audio is not linear PCM
    """
    if subtype not in BITS:
        return ""
    mode = {1: "mono", 2: "stereo"}.get(n_channels, "multitrack")
    plain = text.replace(",", ";")
    return f"A=PCM,F={sr},W={BITS[subtype]},M={mode},T={plain}\n"


def describe_hit(hit: Hit, written: str = "") -> str:
    """Describe a hit so that a scan reads it again, then what its recorder wrote in free words.

    Parameters
    ----------
    hit : Hit
    written : str, optional, the description that the recording has

    Returns
    -------
    str, such as "session=barn; take=4; mic=top; loose heads"
    """
    told = {"session": hit.session, "take": hit.take, "mic": hit.microphone}
    parts = [f"{key}={value.replace(';', ',')}" for key, value in told.items() if value]
    words = dict.fromkeys((hit.note, free_text(written)))
    return "; ".join([*parts, *(text for text in words if text)])


def broadcast_wave(
    wav: bytes, hit: Hit, *, sr: int, subtype: str, n_channels: int, text: str
) -> bytes:
    """Write into a file of a hit what its recorder wrote, and what was done since.

    Parameters
    ----------
    wav : bytes, a whole RIFF/WAVE file
    hit : Hit, whose recording is read again for its bext
    sr : int, Hz, of the file
    subtype : str, of the file
    n_channels : int, of the file
    text : str, what was done, for the coding history

    Returns
    -------
    bytes
    """
    source = read_bext(hit.path)
    first = coding_line(sr=hit.sr, subtype=hit.subtype, n_channels=hit.n_channels, text="recording")
    begun = "" if source[BEXT_SIZE:].strip(b"\0") else first
    then = coding_line(sr=sr, subtype=subtype, n_channels=n_channels, text=text)
    return with_bext(
        wav,
        description=describe_hit(hit, bext_text(source)),
        origin=hit.origin,
        sr=hit.sr,
        at=hit.start,
        to_sr=sr,
        source=source,
        history=begun + then,
    )
