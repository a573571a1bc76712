"""Read and write the bext chunk of Broadcast Wave files.

A written chunk continues the one of the recording: its time is moved to the part that is written,
and a line is added to its coding history.

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

from catalog.audio.metadata.chunks import clean_text, decode_text, free_text, walk_chunks
from catalog.audio.model import SAMPLE_FORMATS
from catalog.models import Hit

# Layout and values of the chunk [1]_, in bytes.
BEXT_SIZE = 602  # up to the coding history
DESCRIPTION_SIZE = 256
ORIGIN_FIELDS = ((256, 32), (288, 32), (320, 10), (330, 8))  # originator, reference, date, time
UMID = slice(348, 412)  # identifies the original material, so it is cleared
LOUDNESS = slice(412, 422)  # five values, from version 2 on
YEARS = range(1970, 2200)  # of a recorder with a set clock; clocks not set start in 1601 or 1904
NOON = datetime(1970, 1, 1, 12).time()
NO_LOUDNESS = struct.pack("<5h", *[0x7FFF] * 5)  # "not used"


def read_bext(path: Path) -> bytes:
    """Return the body of the bext chunk of a recording; empty if there is no complete one."""
    try:
        with path.open("rb") as file:
            bodies = (body for name, body in walk_chunks(file) if name == b"bext")
            found = next(bodies, b"")
    except (OSError, struct.error):
        return b""
    return found if len(found) >= BEXT_SIZE else b""


def bext_description(body: bytes) -> str:
    """Return the description of a bext chunk [1]_."""
    return decode_text(body[:DESCRIPTION_SIZE])


def parse_bext_origin(body: bytes) -> dict[str, str]:
    """Return originator, date, time and time reference; missing fields are left out.

    Returns
    -------
    dict with any of "originator", "reference", "date" (yyyy-mm-dd), "time" (hh:mm:ss) and
    "time_reference" (samples since midnight)
    """
    texts = [clean_text(decode_text(body[at : at + n])) for at, n in ORIGIN_FIELDS]
    originator, reference, date, time = texts
    fields = {  # the standard allows any separator in date and time [1]_
        "originator": originator,
        "reference": reference,
        "date": _parse_moment(date[:4] + date[5:7] + date[8:10], "%Y-%m-%d"),
        "time": _parse_time(time),
    }
    if len(body) >= 346:
        low, high = struct.unpack_from("<II", body, 338)
        fields["time_reference"] = str((high << 32) + low) if high < 1 << 16 else ""
    return {key: value for key, value in fields.items() if value and value != "0"}


def recording_date(origin: Mapping[str, str]) -> str:
    """Return the date in the tags of a file as yyyy-mm-dd; "" if it is none a recorder writes."""
    when = recording_time(origin)
    return when.strftime("%Y-%m-%d") if when else ""


def recording_time(origin: Mapping[str, str]) -> datetime | None:
    """Return date and time in the tags of a file; noon without a time, None without a date.

    A tag may hold any text. A year alone, a date in words, and a year outside `YEARS` are no date.
    """
    try:
        day = datetime.fromisoformat(origin.get("date", ""))
    except ValueError:
        return None
    if day.year not in YEARS:
        return None
    if time := _parse_time(origin.get("time", "")):
        return datetime.fromisoformat(f"{day:%Y-%m-%d}T{time}")
    has_time = day.time() != datetime.min.time()
    return day.replace(tzinfo=None) if has_time else datetime.combine(day.date(), NOON)


def time_reference(origin: Mapping[str, str]) -> int:
    """Return the samples since midnight in the tags of a file; 0 if absent or not a count."""
    text = origin.get("time_reference", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) <= 18 else 0


def _parse_time(text: str) -> str:
    return _parse_moment(text[:2] + text[3:5] + text[6:8], "%H:%M:%S")


def _parse_moment(digits: str, pattern: str) -> str:
    """Return a date or time in `pattern`; empty if its digits do not fit the pattern."""
    try:
        moment = datetime.strptime(digits, pattern.replace("-", "").replace(":", ""))
    except ValueError:
        return ""
    return moment.strftime(pattern)


def insert_bext(
    wav: bytes,
    *,
    description: str,
    origin: Mapping[str, str],
    sr: int,
    start: int,
    to_sr: int | None = None,
    source: bytes = b"",
    history: str = "",
) -> bytes:
    """Insert a bext chunk into a WAV file that holds part of a recording.

    Parameters
    ----------
    wav : bytes, a whole RIFF/WAVE file
    description : str, cut to 256 bytes; an empty one keeps that of `source`
    origin : mapping, see `parse_bext_origin`; `source` overrides it
    sr : int, Hz, of the recording
    start : int, frames; position of the part in the recording
    to_sr : int, optional, Hz, of the file; unit of its time reference
    source : bytes, optional, the body from the recording, see `read_bext`
    history : str, optional, lines to append to the coding history
    """
    origin = {**origin, **parse_bext_origin(source[:BEXT_SIZE])}
    date, time = recording_date(origin), _parse_time(origin.get("time", ""))
    moved = recording_time(origin)
    if moved and time:
        moved += timedelta(seconds=start / sr)
        date, time = moved.strftime("%Y-%m-%d"), moved.strftime("%H:%M:%S")
    reference = round((time_reference(origin) + start) * (to_sr or sr) / sr)
    body = bytearray(source[:BEXT_SIZE].ljust(BEXT_SIZE, b"\0"))
    if description:
        body[:DESCRIPTION_SIZE] = _pad_text(description, DESCRIPTION_SIZE)
    texts = origin.get("originator", ""), origin.get("reference", ""), date, time
    for text, (at, n) in zip(texts, ORIGIN_FIELDS, strict=True):
        body[at : at + n] = _pad_text(text, n)
    version = min(max(1, int.from_bytes(body[346:348], "little")), 2)
    struct.pack_into("<IIH", body, 338, reference & 0xFFFFFFFF, reference >> 32, version)
    body[UMID] = bytes(64)
    body[LOUDNESS] = NO_LOUDNESS if version >= 2 else bytes(10)
    return _insert_chunk(wav, bytes(body) + _extend_history(source[BEXT_SIZE:], history))


def _pad_text(text: str, size: int) -> bytes:
    """Encode a text in exactly `size` bytes without splitting a character."""
    return text.encode()[:size].decode(errors="ignore").encode().ljust(size, b"\0")


def _extend_history(old: bytes, new: str) -> bytes:
    """Append lines to a coding history; each ends with a carriage return and a line feed [2]_."""
    lines = [line.strip() for line in old.split(b"\0", 1)[0].splitlines()]
    lines += [line.strip() for line in new.encode("ascii", errors="replace").splitlines()]
    return b"".join(line + b"\r\n" for line in lines if line)


def _insert_chunk(wav: bytes, body: bytes) -> bytes:
    chunk = b"bext" + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)
    size = struct.unpack_from("<I", wav, 4)[0] + len(chunk)
    return wav[:4] + struct.pack("<I", size) + wav[8:12] + chunk + wav[12:]


def coding_history_line(*, sr: int, subtype: str, n_channels: int, text: str) -> str:
    """Format one step of a coding history [2]_: linear PCM, rate, word length, mode and a text.

    The line is empty if the audio is not linear PCM of up to 32 bits. Commas of `text` become
    semicolons.
    """
    form = SAMPLE_FORMATS.get(subtype)
    if form is None or form.encoding == "alac" or form.bits > 32:
        return ""
    mode = {1: "mono", 2: "stereo"}.get(n_channels, "multitrack")
    return f"A=PCM,F={sr},W={form.bits},M={mode},T={text.replace(',', ';')}\n"


def format_description(hit: Hit, original: str = "") -> str:
    """Format the description of a hit so that a later scan reads it back.

    It looks like "session=barn; take=4; mic=top; loose heads", and keeps the free text of the
    description `original` in the recording.
    """
    fields = {"session": hit.session, "take": hit.take, "mic": hit.microphone}
    pairs = [f"{key}={value.replace(';', ',')}" for key, value in fields.items() if value]
    notes = dict.fromkeys((hit.note, free_text(original)))
    return "; ".join([*pairs, *(text for text in notes if text)])


def add_hit_bext(
    wav: bytes, hit: Hit, *, sr: int, subtype: str, n_channels: int, text: str
) -> bytes:
    """Add a bext chunk to a file made from a hit, continuing the one of its recording.

    Parameters
    ----------
    wav : bytes, a whole RIFF/WAVE file
    hit : Hit; the bext chunk of its recording is read again
    sr, subtype, n_channels : sample rate in Hz, subtype and channels of the file
    text : str, what was done, for the coding history
    """
    source = read_bext(hit.path)
    history = coding_history_line(sr=sr, subtype=subtype, n_channels=n_channels, text=text)
    if not source[BEXT_SIZE:].strip(b"\0"):
        first = coding_history_line(
            sr=hit.sr, subtype=hit.subtype, n_channels=hit.n_channels, text="recording"
        )
        history = first + history
    description = format_description(hit, bext_description(source))
    return insert_bext(
        wav, description=description, origin=hit.origin, sr=hit.sr, start=hit.start, to_sr=sr,
        source=source, history=history,
    )  # fmt: skip
