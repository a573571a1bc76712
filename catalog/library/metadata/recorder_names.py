"""Names that a recorder gives by itself, which say nothing of the drum: "ZZ0001_Tr1", "REC0038"."""

from __future__ import annotations

from collections.abc import Sequence

from catalog.library.metadata.microphone_names import MICROPHONES, SIDES, TRACKS
from catalog.library.metadata.roles import ROLE_WORDS, word_set

MIN_DIGITS = 3  # of the number that a recorder counts its files with
MIN_DATE_DIGITS = 6  # of a name that is a date or a time
MAX_LETTERS = 5  # of the word before it
# Words that describe a file or a device and no drum (common practice, no source).
FILE_WORDS = word_set("wav wave flac aiff aif mp3 bit khz hz audio raw files samples oneshots")
DEVICE_WORDS = word_set(
    "recorder recorders recording recordings rec recs memo memos voice dcim sd card usb mobile"
    " tablet untitled new file folder import imports inbox"
)


def is_recorder_name(parts: Sequence[list[str]]) -> bool:
    """Return whether a name says nothing of the drum.

    Such a name holds numbers, words for microphones, tracks, files and devices, and capitals that
    stand before a number of three or more digits.

    Parameters
    ----------
    parts : sequence of lists of str
        the words of the name between two separators, as in `read_name`
    """
    tokens = [token for part in parts for token in part]
    digits = [len(token) for token in tokens if token.isdigit()]
    if not digits or (len(digits) == len(tokens) and max(digits) < MIN_DATE_DIGITS):
        return False  # a number alone counts the strokes of a folder
    plain = MICROPHONES | SIDES | TRACKS | FILE_WORDS | DEVICE_WORDS
    for token, after in zip(tokens, [*tokens[1:], ""], strict=True):
        word = token.casefold()
        counted = after.isdigit() and len(after) >= MIN_DIGITS
        prefix = token.isupper() and len(token) <= MAX_LETTERS and counted
        if word in ROLE_WORDS or not (token.isdigit() or word in plain or prefix):
            return False
    return True
