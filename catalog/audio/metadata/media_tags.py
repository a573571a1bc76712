"""Read date and text of recordings by phones, from the metadata of `.m4a` and `.caf` files."""

from __future__ import annotations

from pathlib import Path

from catalog.audio.ffmpeg import FORMATS, open_container
from catalog.audio.metadata.chunks import clean_text

# Our names of the fields that FFmpeg reads; "creation_time" is in UTC (ISO/IEC 14496-12, mvhd).
FIELDS = {"title": "title", "artist": "artist", "comment": "comment"}


def read_media_tags(path: Path) -> dict[str, str]:
    """Return the fields of a `.m4a` or `.caf` file; empty if it is another format, or broken.

    "date" is yyyy-mm-dd, and "time", in UTC, is hh:mm:ss.
    """
    if path.suffix.lower() not in FORMATS:
        return {}
    import av

    try:
        with open_container(path) as container:
            found = dict(container.metadata)
    except (av.error.FFmpegError, OSError, ValueError):
        return {}
    date, _, time = found.get("creation_time", "").partition("T")
    tags = {name: clean_text(found.get(field, "")) for field, name in FIELDS.items()}
    tags |= {"date": date or found.get("date", ""), "time": time[:8]}
    return {name: text for name, text in tags.items() if text}
