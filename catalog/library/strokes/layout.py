"""The microphones of one file: which channels each has, and what it is called."""

from __future__ import annotations

from pathlib import Path

from catalog.audio.microphone_channels import ChannelGroup, group_channels
from catalog.audio.model import Audio
from catalog.library.metadata.filename import read_chunks
from catalog.library.metadata.microphone_names import find_side, without_side

SIDES = {"l": "r", "left": "right", "1": "2"}  # of a left channel, and of its right one


def find_microphones(path: Path, audio: Audio) -> tuple[ChannelGroup, ...]:
    """Return the microphones of a file; empty if it is one mono or stereo recording.

    The track names that the recorder wrote into the file decide, else the samples.
    """
    if audio.samples.shape[1] < 2:
        return ()
    tracks = read_chunks(path).origin.get("tracks", "")
    names = tracks.split(", ") if tracks else []
    return group_channels(audio.samples, sr=audio.sr, names=names, pair_name=pair_name)


def pair_name(left: str, right: str) -> str | None:
    """Return the name that a left and a right channel share: "OH" of "OH L" and "OH R".

    Return None if the names are not the sides of one microphone.
    """
    sides = find_side(left), find_side(right)
    if sides[0] is None or sides[1] is None:
        return None
    a, b = (side.group("side").casefold() for side in sides if side is not None)
    common = without_side(left)
    if SIDES.get(a) != b or common.casefold() != without_side(right).casefold():
        return None
    return common or "stereo"
