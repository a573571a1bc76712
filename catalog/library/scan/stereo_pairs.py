"""Two mono files that are the left and right channel of one stereo recording: one hit.

Names propose a pair ("Snare 01 L.wav" beside "Snare 01 R.wav", "3-Snare-OHL" beside "3-Snare-OHR");
the files must also be mono, of one rate, width, length and time reference. A side right after an
instrument ("Crash L") may as well be the cymbal on the left: it proposes a pair only after a dot or
in brackets ("Crash.L.wav", "Crash (L).wav"), as multitrack programs name split channels (common
practice, no source), or if the user joins the two. A side before the name ("L snare 01") proposes
one unless a kit has that instrument on the left and on the right. Neighboring tracks ("Tr3", "Tr4")
are a pair if the recorder named them so ("OH L", "OH R").
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from catalog.audio.channels import pick_channels
from catalog.audio.decode import decode_file, is_streamed, read_header
from catalog.audio.ffmpeg import read_true_header
from catalog.audio.model import SAMPLE_FORMATS, Audio
from catalog.errors import AudioError, ParameterError
from catalog.library.metadata.filename import read_chunks
from catalog.library.metadata.microphone_names import MICROPHONES, TRACKS, find_side, without_side
from catalog.library.metadata.roles import ROLE_WORDS, split_words, word_set
from catalog.library.store.ingest import FoundFile
from catalog.library.store.records.files import FileRow, KnownFiles
from catalog.library.store.store import Store
from catalog.models import Action, Hit

SIDE_CHOICES = "sides_said"  # setting: path of the left file to the right one's, "" for no pair
LEFT_FOR = {"r": "l", "R": "L", "right": "left", "Right": "Left", "RIGHT": "LEFT", "2": "1"}
TWICE_IN_A_KIT = {"kick", "tom", "crash", "ride", "china", "splash", "conga_bongo", "timbale_agogo"}
TRACK_NUMBER = re.compile(rf"(?:^|[\W_])(?:{'|'.join(TRACKS)})[\W_]?(?P<number>\d+)$", re.I)
LIMBS = word_set("hand hands stick sticks foot feet sticking")  # of the drummer: not a channel
LAST_WORD = re.compile(r"[^\W_]+(?=[\W_]*$)")


def left_of(right: str) -> str | None:
    """Return the path of the left file of a right one; None if the name marks no right channel."""
    folder, name = os.path.split(right)
    stem, ending = os.path.splitext(name)
    side = find_side(stem)
    if side is None or side.group("side") not in LEFT_FOR:
        return None
    until, since = side.span("side")
    if not _is_channel(stem, until, since):
        return None
    left = f"{stem[:until]}{LEFT_FOR[side.group('side')]}{stem[since:]}{ending}"
    return os.path.join(folder, left)


def _is_channel(stem: str, until: int, since: int) -> bool:
    """Return whether the side between two positions of a name marks a channel, not a drum."""
    before = LAST_WORD.search(stem[:until])
    words = split_words(before.group()) if before else []
    if words and all(word in MICROPHONES for word in words):
        return True
    if not LIMBS.isdisjoint(words):
        return False
    if not words:  # the name starts with the side
        roles = {ROLE_WORDS[word][0] for word in split_words(stem[since:]) if word in ROLE_WORDS}
        return since < len(stem) and TWICE_IN_A_KIT.isdisjoint(roles)
    if (stem[until - 1], stem[since:]) in (("(", ")"), ("[", "]")):
        return True
    instrument = any(word in ROLE_WORDS for word in words)
    return since == len(stem) and (not instrument or stem[:until].endswith("."))


def left_track_of(right: str) -> str | None:
    """Return the path of the track before a right one; None if the recorder named no such pair."""
    folder, name = os.path.split(right)
    stem, ending = os.path.splitext(name)
    track = TRACK_NUMBER.search(stem)
    if track is None:
        return None
    number = str(int(track["number"][-9:]) - 1).zfill(len(track["number"]))
    left = os.path.join(folder, stem[: track.start("number")] + number + ending)
    names = [read_chunks(Path(path)).microphone for path in (left, right)]
    sides = [found.group("side").casefold()[:1] for n in names if (found := find_side(n))]
    is_pair = sides == ["l", "r"] and len({without_side(name) for name in names}) == 1
    return left if is_pair else None


def pair_sides(
    files: Sequence[FoundFile], known: KnownFiles, choices: Mapping[str, str]
) -> list[FoundFile]:
    """Join the two files of each stereo recording, also as the user chose (`read_side_choices`).

    A known pair stays joined while its files match; a right file that is a hit of its own stays
    one. A pair has the path of its left file, the size of both, and a number for its time that
    changes with either. The files are sorted before and after.
    """
    old_pairs, rows = known.pairs(), known.rows
    new = [file.path for file in files if file.path not in rows or file.path in known.skipped]
    if not (old_pairs or new or choices):
        return [*files]
    by_path = {file.path: file for file in files}
    proposed = [*choices.items(), *(pair for pair in old_pairs if pair[0] not in choices)]
    # Single files that are missing may have moved, so the content of files of their sizes decides.
    single = [(path, row.size) for path, row in known.items() if row.hit_id and not row.mate]
    lost = {size for path, size in single if path not in by_path}
    for path in sorted(new):
        left = left_of(path) or left_track_of(path)
        if left not in by_path or left in choices:
            continue
        if lost.isdisjoint((by_path[path].size, by_path[left].size)):
            proposed.append((left, path))
    mates = _accept_pairs(proposed, by_path, known)
    rights = set(mates.values())
    return [
        _join(file, by_path[mates[file.path]]) if file.path in mates else file
        for file in files
        if file.path not in rights
    ]


def _accept_pairs(
    proposed: Iterable[tuple[str, str]],
    by_path: Mapping[str, FoundFile],
    known: Mapping[str, FileRow],
) -> dict[str, str]:
    """Return the pairs whose files match, left to right; a file is in one pair only."""
    mates: dict[str, str] = {}
    taken: set[str] = set()
    for left, right in proposed:
        if taken & {left, right} or not {left, right} <= by_path.keys():
            continue
        joined, row = _join(by_path[left], by_path[right]), known.get(left)
        facts = (right, joined.size, joined.mtime_ns)
        is_known = row is not None and (row.mate, row.size, row.mtime_ns) == facts
        if is_known or are_sides(left, right):
            mates[left] = right
            taken.update((left, right))
    return mates


def _join(left: FoundFile, right: FoundFile) -> FoundFile:
    time_ns = (31 * left.mtime_ns + 17 * right.mtime_ns + right.size) % 2**62
    return left._replace(size=left.size + right.size, mtime_ns=time_ns, mate=right.path)


def are_sides(left: str | Path, right: str | Path) -> bool:
    """Return whether two files can be the channels of one recording, by their headers."""
    try:
        a, b = read_header(left), read_header(right)
    except AudioError:
        return False
    times = {read_chunks(Path(p)).origin.get("time_reference", "") for p in (left, right)}
    return a == b and a.n_channels == 1 and a.n_frames > 0 and len(times) == 1


def read_side_choices(store: Store) -> dict[str, str]:
    """Return the user's choices: path of the left file to that of the right one, "" for no pair."""
    return dict(store.database.read_setting(SIDE_CHOICES, {}))


def split_stereo_pair(store: Store, hit: Hit) -> bool:
    """Declare the two files of a hit to be separate hits; the next scan separates them.

    Return False if that was declared already. Raise `ParameterError` if the hit is one file.
    """
    if hit.mate is None:
        raise ParameterError(f"hit {hit.id} ({hit.name}) is one file: there is nothing to separate")
    return _save_choice(store, hit, "", f"apart from {hit.mate.name}")


def join_stereo_pair(store: Store, left: Hit, right: Hit) -> bool:
    """Declare two hits to be the left and right channel of one; the next scan joins them.

    The left hit keeps its id and its annotations. Return False if that was declared already. Raise
    `ParameterError` if they are not two mono files of one rate, width, length and time reference.
    """
    if left.path == right.path or left.mate or right.mate or not are_sides(left.path, right.path):
        raise ParameterError(
            f"{left.path.name} and {right.path.name} are not two mono files of one rate, width,"
            " length and time reference: they cannot be left and right of one recording"
        )
    return _save_choice(store, left, str(right.path), f"together with {right.path.name}")


def _save_choice(store: Store, hit: Hit, mate: str, reason: str) -> bool:
    with store.act("sides", f"{hit.name}: {reason}"), store.writing(changes_hits=False):
        pair = {str(hit.path), mate}  # the last choice for either file counts
        before = read_side_choices(store)
        if before.get(str(hit.path)) == mate:
            return False
        kept = {a: b for a, b in before.items() if not pair & {a, b} - {""}}
        store.database.save_setting(SIDE_CHOICES, {**kept, str(hit.path): mate})
        store.history.add_edit(Action.SIDES, hit, reason)
    return True


def count_frames(hit: Hit) -> int:
    """Return the frames of the whole recording of a hit.

    Lossless files state it in their header. Raise `AudioError` if the file cannot be read.
    """
    if hit.mate is None and is_streamed(hit.path):
        return read_true_header(hit.path).n_frames
    with contextlib.suppress(AudioError):
        header = read_header(hit.path)
        if header.subtype in SAMPLE_FORMATS and header.n_frames:
            return header.n_frames
    return len(decode_hit(hit, whole=True).samples)


def decode_hit(hit: Hit, *, whole: bool = False) -> Audio:
    """Decode the stroke of a hit, or its `whole` recording, from both files if it has two.

    A stroke has the channels of its microphone only, the whole recording all.

    Raise `AudioError` if a file is missing or damaged, or the two no longer match.
    """
    start, stop = (0, None) if whole else (hit.start, hit.stop)
    audio = decode_sides(hit.path, hit.mate, start=start, stop=stop)
    return audio if whole else pick_channels(audio, hit.channels)


def decode_sides(
    path: Path, mate: Path | None, *, start: int = 0, stop: int | None = None
) -> Audio:
    """Decode a file, or two mono files as the left and right channel; see `decode_file`.

    Raise `AudioError` if a file is missing or damaged, or the two do not match.
    """
    audio = decode_file(path, start=start, stop=stop)
    if mate is None:
        return audio
    other = decode_file(mate, start=start, stop=stop)
    if (audio.samples.shape, audio.sr) != (other.samples.shape, other.sr):
        text = f"does not match its left side {path.name}: another length or rate; scan again"
        raise AudioError(mate, text)
    samples = np.concatenate([audio.samples[:, :1], other.samples[:, :1]], axis=1)
    return Audio(samples, audio.sr, audio.container, audio.subtype)
