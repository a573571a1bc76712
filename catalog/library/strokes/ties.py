"""Ties between hits that are the same stroke through several microphones.

Sound alone cannot prove a tie, because distance and room change the phase. Hits are tied by what
the recorder wrote or by their names; level and arrival time must then be consistent over strokes.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from catalog.audio.metadata.bext import time_reference
from catalog.library.metadata.filename import SEPARATORS, read_name
from catalog.models import Hit

MAX_DISTANCE_M = 12.0  # between two microphones of one kit; common practice, no published source
MS_PER_M = 2.9  # sound in air of 20 °C: 1 / 343 m/s
MAX_DELAY_S = MAX_DISTANCE_M * MS_PER_M / 1000.0
SAME_MOMENT_S = 0.05  # largest difference of time references of recorders that run together
MIN_STROKES = 4  # of a pair of microphones; fewer give no reliable median
ODD_DB, ODD_S = 10.0, 0.012  # deviation from the median of a pair of microphones
FileName = tuple[str, str, str, str, tuple[str, ...]]
STEADY_S = 0.003  # median deviation below which arrival times are checked: files cut alike


@dataclass(frozen=True)
class StrokeTie:
    """One stroke and its hits, one or more a microphone."""

    hits: tuple[int, ...]  # ids, ascending
    evidence: str  # why they are tied
    against: tuple[str, ...] = ()  # contradictions in level or arrival time


def tie_strokes(hits: Sequence[Hit]) -> list[StrokeTie]:
    """Find hits that are the same stroke through several microphones.

    Ties are sorted by their lowest id; a hit is in at most one.
    """
    tied: set[int] = set()
    groups: list[list[Hit]] = []
    evidence: list[str] = []
    for text, candidates in (
        ("one file with several microphones", _by_file(hits)),
        ("the same take at the same moment", _by_moment(hits)),
        ("the same take, cut at the same frames", _by_cut(hits)),
        ("names that differ only in the microphone", _by_name(hits)),
    ):
        for candidate in candidates:
            free = [hit for hit in candidate if hit.id not in tied]
            if len({hit.microphone.casefold() for hit in free}) > 1:
                tied.update(hit.id for hit in free)
                groups.append(free)
                evidence.append(text)
    ties = [
        StrokeTie(tuple(sorted(hit.id for hit in group)), text, tuple(against))
        for group, text, against in zip(groups, evidence, _contradictions(groups), strict=True)
    ]
    return sorted(ties, key=lambda tie: tie.hits)


def _group_by_key(keyed: Iterable[tuple[tuple[object, ...] | None, Hit]]) -> list[list[Hit]]:
    """Group hits by key and return groups of two or more; a key of None is skipped."""
    groups: dict[tuple[object, ...], list[Hit]] = {}
    for key, hit in keyed:
        if key is not None:
            groups.setdefault(key, []).append(hit)
    return [group for group in groups.values() if len(group) > 1]


def _by_file(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Group hits of one file whose regions start together."""
    groups = _group_by_key(((hit.path,) if hit.microphone else None, hit) for hit in hits)
    return list(chain(*(_cluster(group, _start_s, width_s=MAX_DELAY_S) for group in groups)))


def _by_moment(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Group hits of one take whose time references put them at the same moment."""
    timed = [hit for hit in hits if time_reference(hit.origin) and hit.microphone]
    groups = _group_by_key(((hit.session, hit.take), hit) for hit in timed)
    return list(chain(*(_cluster(group, _moment_s, width_s=SAME_MOMENT_S) for group in groups)))


def _by_cut(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Group strokes of takes in one folder that begin and end at the same frames.

    Two takes are cut alike to the frame only if one cut was made for both.
    """
    return _group_by_key(
        (
            (hit.session, hit.take, hit.path.parent, hit.sr, hit.start, hit.stop)
            if hit.region > 0 and hit.microphone and not hit.channels
            else None,
            hit,
        )
        for hit in hits
    )


def _by_name(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Group hits whose names differ only in the microphone; strokes of takes also by start."""
    groups = []
    for group in _group_by_key((stroke_name(hit), hit) for hit in hits):
        if any(hit.region for hit in group):
            groups += _cluster(group, _start_s, width_s=MAX_DELAY_S)
        else:
            groups.append(group)
    return groups


def _start_s(hit: Hit) -> float:
    return hit.start / hit.sr


def _moment_s(hit: Hit) -> float:
    return (time_reference(hit.origin) + hit.start) / hit.sr


def _cluster(
    hits: Sequence[Hit], time_s: Callable[[Hit], float], *, width_s: float
) -> list[list[Hit]]:
    """Cluster hits within `width_s` after the first of each; single hits are left out."""
    clusters: list[list[Hit]] = []
    for hit in sorted(hits, key=time_s):
        if clusters and time_s(hit) - time_s(clusters[-1][0]) < width_s:
            clusters[-1].append(hit)
        else:
            clusters.append([hit])
    return [cluster for cluster in clusters if len(cluster) > 1]


def stroke_name(hit: Hit) -> tuple[object, ...] | None:
    """Return `name_without_microphone` if it identifies a stroke, or the take that it is from.

    Return None for a finished hit without a number in its name: that may be any stroke of its drum.
    """
    name = name_without_microphone(hit)
    if name is None or hit.region or any(re.search(r"\d", word) for word in name[-1]):
        return name
    return None


def name_without_microphone(hit: Hit) -> FileName | None:
    """Return session, folders, take and words of a file's name, with its microphone as "*".

    Return None if no microphone is known.
    """
    microphone = hit.microphone
    if not microphone:
        return None
    words = _split_words(hit.stem)
    in_name = _split_words(read_name(hit.path.with_name(hit.stem + hit.path.suffix)).microphone)
    folder = re.sub(re.escape(microphone), "*", hit.path.parent.name, flags=re.IGNORECASE)
    if in_name and in_name == _split_words(microphone):
        index = _last_run(words, in_name)
        if index is None:
            return None
        words = [*words[:index], "*", *words[index + len(in_name) :]]
        folder = hit.path.parent.name
        if folder.casefold() == microphone.casefold() != hit.drum.casefold():
            folder = "*"
    parent = str(hit.path.parent.parent)
    return (hit.session, parent, folder, hit.take, tuple(words))


def _split_words(text: str) -> list[str]:
    return [word.casefold() for word in SEPARATORS.split(text) if word]


def _last_run(words: Sequence[str], run: Sequence[str]) -> int | None:
    """Return the index of the last occurrence of `run` in `words`."""
    for index in range(len(words) - len(run), -1, -1):
        if list(words[index : index + len(run)]) == list(run):
            return index
    return None


def _contradictions(groups: Sequence[Sequence[Hit]]) -> list[list[str]]:
    """Compare level and arrival of each tie with the medians of its microphones.

    Strokes of takes that are cut at the same moments are certain: each drum of a kit, and each
    place on a drum, has levels of its own.
    """
    against: list[list[str]] = [[] for _ in groups]
    pairs: dict[tuple[str, str, str, str], list[tuple[int, Hit, Hit]]] = {}
    for number, group in enumerate(groups):
        if _is_cut_alike(group):
            continue
        ordered = sorted(group, key=lambda hit: (hit.microphone.casefold(), hit.id))
        for i, a in enumerate(ordered):
            for b in ordered[i + 1 :]:
                if a.microphone.casefold() != b.microphone.casefold():
                    key = (a.session, a.drum, a.microphone.casefold(), b.microphone.casefold())
                    pairs.setdefault(key, []).append((number, a, b))
    for strokes in pairs.values():
        if len(strokes) >= MIN_STROKES:
            _check_microphones(strokes, against)
    return against


def _is_cut_alike(hits: Sequence[Hit]) -> bool:
    """Return whether all hits are strokes of takes that begin at the same frame of one clock."""
    is_timed = all(time_reference(hit.origin) for hit in hits)
    starts = {(hit.sr, hit.start + (time_reference(hit.origin) if is_timed else 0)) for hit in hits}
    return len(starts) == 1 and all(hit.region > 0 for hit in hits)


def _delay_s(first: Hit, second: Hit) -> float:
    """Return how much later the second begins, by time references if both files have one."""
    timed = all(time_reference(hit.origin) for hit in (first, second))
    time_s = _moment_s if timed else _start_s
    return time_s(second) - time_s(first)


def _check_microphones(strokes: Sequence[tuple[int, Hit, Hit]], against: list[list[str]]) -> None:
    """Add the contradictions of one pair of microphones; `strokes` are (tie, hit, hit)."""
    level_db = np.array([_loudness_lkfs(b) - _loudness_lkfs(a) for _, a, b in strokes])
    delay_s = np.array([_delay_s(a, b) for _, a, b in strokes])
    odd_db, odd_s = level_db - np.nanmedian(level_db), delay_s - np.median(delay_s)
    is_steady = float(np.median(np.abs(odd_s))) < STEADY_S
    for (tie, a, b), off_db, off_s, lag_s in zip(strokes, odd_db, odd_s, delay_s, strict=True):
        names = f"{b.microphone} against {a.microphone}"
        if abs(off_db) > ODD_DB:
            word = "louder" if off_db > 0 else "weaker"
            against[tie].append(f"{names}: {abs(off_db):.0f} dB {word} than in other strokes")
        if is_steady and abs(off_s) > ODD_S:
            against[tie].append(f"{names}: {1000 * off_s:+.0f} ms off its usual arrival")
        elif is_steady and abs(lag_s) > MAX_DELAY_S:
            metres = abs(lag_s) * 1000 / MS_PER_M
            against[tie].append(f"{names}: {1000 * lag_s:+.0f} ms would be {metres:.0f} m of air")


def _loudness_lkfs(hit: Hit) -> float:
    return hit.descriptors.get("loudness_lkfs", np.nan)
