"""The same stroke through several microphones: tied by what was written, checked by the sound.

Sound alone does not tell it: room and distance leave nothing of the phase. So hits are tied where
the recorder or their names say so, and then strength and arrival must agree from stroke to stroke.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.library.metadata.filename import SEPARATORS, read_name
from catalog.models import Hit

FARTHEST_M = 12.0  # between two microphones of one kit; common practice, no source
MS_PER_M = 2.9  # sound in air of 20 degrees: 1 / 343 m/s
FARTHEST_S = FARTHEST_M * MS_PER_M / 1000.0
SAME_MOMENT_S = 0.05  # of time references: recorders that run together differ by less
MIN_STROKES = 4  # of a pair of microphones; fewer tell nothing usual to compare with
ODD_DB, ODD_S = 10.0, 0.012  # off what is usual between these two microphones
STEADY_S = 0.003  # arrival is checked only where it is steady: files cut alike


@dataclass(frozen=True)
class StrokeTie:
    """One stroke and its hits, one or more a microphone.

    Attributes
    ----------
    hits : tuple of int, ids, ascending
    evidence : str, what ties them
    against : tuple of str, what the sound says against it; empty where nothing does
    """

    hits: tuple[int, ...]
    evidence: str
    against: tuple[str, ...] = ()


def tie_strokes(hits: Sequence[Hit]) -> list[StrokeTie]:
    """Tie hits that are one stroke through several microphones.

    Parameters
    ----------
    hits : sequence of Hit

    Returns
    -------
    list of StrokeTie, in the order of their first hits; a hit is in one at most
    """
    tied: dict[int, int] = {}
    ties: list[tuple[list[Hit], str]] = []
    for evidence, groups in (
        ("one file with several microphones", _by_file(hits)),
        ("the same take at the same moment", _by_moment(hits)),
        ("names that differ only in the microphone", _by_name(hits)),
    ):
        for group in groups:
            free = [hit for hit in group if hit.id not in tied]
            if len({hit.microphone.casefold() for hit in free}) > 1:
                tied.update((hit.id, len(ties)) for hit in free)
                ties.append((free, evidence))
    against = _contradictions([group for group, _ in ties])
    found = [
        StrokeTie(tuple(sorted(hit.id for hit in group)), evidence, tuple(odd))
        for (group, evidence), odd in zip(ties, against, strict=True)
    ]
    return sorted(found, key=lambda tie: tie.hits)


def _grouped(keyed: Iterable[tuple[tuple[object, ...] | None, Hit]]) -> list[list[Hit]]:
    groups: dict[tuple[object, ...], list[Hit]] = {}
    for key, hit in keyed:
        if key is not None:
            groups.setdefault(key, []).append(hit)
    return [group for group in groups.values() if len(group) > 1]


def _by_file(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Hits of one file whose regions lie over each other."""
    named = _grouped(((hit.path,) if hit.microphone else None, hit) for hit in hits)
    return [part for same in named for part in _close(same, lambda h: h.start / h.sr, FARTHEST_S)]


def _by_moment(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Hits whose recorder wrote the same take, and a time reference that puts them together."""
    told = (
        ((hit.session, hit.take) if _reference(hit) and hit.microphone else None, hit)
        for hit in hits
    )
    return [
        part
        for same in _grouped(told)
        for part in _close(same, lambda hit: (_reference(hit) + hit.start) / hit.sr, SAME_MOMENT_S)
    ]


def _reference(hit: Hit) -> int:
    """The recorder's time reference, samples after midnight; 0 if there is none."""
    text = hit.origin.get("time_reference", "")
    return int(text) if text.isdecimal() else 0


def _close(hits: Sequence[Hit], when_s: Callable[[Hit], float], reach_s: float) -> list[list[Hit]]:
    """Part hits where one begins later than `reach_s` after the first of its part."""
    parts: list[list[Hit]] = []
    for hit in sorted(hits, key=when_s):
        if parts and when_s(hit) - when_s(parts[-1][0]) < reach_s:
            parts[-1].append(hit)
        else:
            parts.append([hit])
    return [part for part in parts if len(part) > 1]


def _by_name(hits: Sequence[Hit]) -> list[list[Hit]]:
    """Whole files by their names; strokes of takes of one name also by where they begin."""
    groups = []
    for same in _grouped((name_without_microphone(hit), hit) for hit in hits):
        if any(hit.region for hit in same):
            groups += _close(same, lambda hit: hit.start / hit.sr, FARTHEST_S)
        else:
            groups.append(same)
    return groups


def name_without_microphone(hit: Hit) -> tuple[object, ...] | None:
    """What is left of session, folder and name once the microphone is taken out.

    Parameters
    ----------
    hit : Hit

    Returns
    -------
    tuple or None
        None where no microphone is named, or where no number tells one stroke from another
    """
    microphone = hit.microphone
    if not microphone:
        return None
    words = [word.casefold() for word in SEPARATORS.split(hit.name) if word]
    told = read_name(hit.path.with_name(hit.stem + hit.path.suffix)).microphone
    named = [word.casefold() for word in SEPARATORS.split(told) if word]
    folder = _without_word(hit.path.parent.name, microphone)
    if named and named == [word.casefold() for word in SEPARATORS.split(microphone) if word]:
        at = _last_run(words, named)
        if at is None:
            return None
        words = [*words[:at], "*", *words[at + len(named) :]]
        folder = hit.path.parent.name
        if folder.casefold() == microphone.casefold() != hit.drum.casefold():
            folder = "*"
    if not any(re.search(r"\d", word) for word in words):
        return None
    parent = str(hit.path.parent.parent)
    return (hit.session, parent, folder, hit.take, tuple(words))


def _without_word(folder: str, microphone: str) -> str:
    return re.sub(re.escape(microphone), "*", folder, flags=re.IGNORECASE)


def _last_run(words: Sequence[str], run: Sequence[str]) -> int | None:
    for at in range(len(words) - len(run), -1, -1):
        if list(words[at : at + len(run)]) == list(run):
            return at
    return None


def _contradictions(groups: Sequence[Sequence[Hit]]) -> list[list[str]]:
    """What strength and arrival say against each tie, by what is usual for its microphones."""
    against: list[list[str]] = [[] for _ in groups]
    pairs: dict[tuple[str, str, str, str], list[tuple[int, Hit, Hit]]] = {}
    for number, group in enumerate(groups):
        ordered = sorted(group, key=lambda hit: (hit.microphone.casefold(), hit.id))
        for i, a in enumerate(ordered):
            for b in ordered[i + 1 :]:
                if a.microphone.casefold() != b.microphone.casefold():
                    key = (a.session, a.drum, a.microphone.casefold(), b.microphone.casefold())
                    pairs.setdefault(key, []).append((number, a, b))
    for strokes in pairs.values():
        if len(strokes) >= MIN_STROKES:
            _check_pair(strokes, against)
    return against


def _check_pair(strokes: Sequence[tuple[int, Hit, Hit]], against: list[list[str]]) -> None:
    louder = np.array([_level(b) - _level(a) for _, a, b in strokes])
    later = np.array([b.start / b.sr - a.start / a.sr for _, a, b in strokes])
    off_db, off_s = louder - np.nanmedian(louder), later - np.median(later)
    steady = float(np.median(np.abs(off_s))) < STEADY_S
    for (number, a, b), db, s, lag_s in zip(strokes, off_db, off_s, later, strict=True):
        names = f"{b.microphone} against {a.microphone}"
        if abs(db) > ODD_DB:
            against[number].append(f"{names}: {abs(db):.0f} dB {_word(db)} than in other strokes")
        if steady and abs(s) > ODD_S:
            against[number].append(f"{names}: {1000 * s:+.0f} ms off its usual arrival")
        elif steady and abs(lag_s) > FARTHEST_S:
            metres = abs(lag_s) * 1000 / MS_PER_M
            against[number].append(
                f"{names}: {1000 * lag_s:+.0f} ms would be {metres:.0f} m of air"
            )


def _word(db: float) -> str:
    return "louder" if db > 0 else "weaker"


def _level(hit: Hit) -> float:
    return hit.descriptors.get("loudness_lkfs", np.nan)
