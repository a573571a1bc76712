"""One pitch for each drum, from all its strokes through its closest microphone.

A stroke alone can show another mode of its drum, or a tone of the room. Strokes of one drum agree
in its pitch, so what most of them share is the pitch of the drum, and of each of its strokes.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import NamedTuple, Protocol

import numpy as np

from catalog.features.tone.modes import CLEAR_SHARE
from catalog.library.strokes.represent import Microphoned, distance_class
from catalog.models import Hit, Role

# Cymbals, shakers and claps: common practice tunes none of them, no source.
UNPITCHED = frozenset(
    {
        Role.HAT_CLOSED, Role.HAT_PEDAL, Role.HAT_OPEN, Role.CRASH, Role.RIDE, Role.RIDE_BELL,
        Role.SPLASH, Role.CHINA, Role.TAMBOURINE, Role.SHAKER, Role.CLAP,
    }
)  # fmt: skip
TOLERANCE = 1.0  # semitones around the pitch of a drum within which its strokes agree with it
MIN_STROKES = 3  # fewer give no majority: each then has the pitch that it was measured with
FAINTEST = 0.01  # share of the energy; strokes also agree in the hum of a recording
MIN_CERTAINTY = 0.67  # two of three strokes, or nearly
ROOM_TONE = 0.5  # semitones; drums of two roles that are closer through one far microphone
FAR_CLASS = 2  # of `distance_class`


class PitchedStroke(Microphoned, Protocol):
    """What shows the pitch of a drum; a `Hit` has it."""

    @property
    def id(self) -> int:
        """Number of the hit."""

    @property
    def session(self) -> str:
        """Session that it was recorded in."""

    @property
    def drum(self) -> str:
        """Name of the drum."""

    @property
    def descriptors(self) -> Mapping[str, float]:
        """`body_hz`, `mode_hz` and `mode_share`, among others."""


class DrumPitch(NamedTuple):
    """The pitch of a drum."""

    hz: float  # above 0
    certainty: float  # 0 to 1, about the share of the strokes that agree
    n_strokes: int  # that it was measured from
    microphone: str  # that it was measured through; "" if unknown


def estimate_drum_pitches(hits: Iterable[PitchedStroke]) -> dict[int, DrumPitch]:
    """Estimate the pitch of each drum, for all its hits.

    Strokes of one drum have the same session, drum and role. The microphone whose name shows it
    to be closest is used, and of those the one whose strokes agree best. The pitch is the frequency
    that most strokes have in common, within a semitone. Where there is none, or a drum has fewer
    than `MIN_STROKES` strokes, or the drum is unknown, each hit has its own if that is clear.

    Parameters
    ----------
    hits : iterable of Hit, or of `StoredStroke` of `stored_pitches.py`
        a whole library, best with every microphone of a stroke

    Returns
    -------
    dict of hit id to DrumPitch
        hits without a clear pitch are left out: those of `UNPITCHED` roles, those whose drum's
        strokes show no common frequency and are not very clear themselves, and those whose
        frequency drums of other roles share through a far microphone (a tone of the room)

    References
    ----------
    Designed for this project. The mode that each stroke gives is that of
    `catalog.features.tone.modes`.
    """
    drums, pitches = group_by_drum(hits)
    readings = {key: read_microphones(strokes) for key, strokes in drums.items()}
    room_tones = find_room_tones(found for of_drum in readings.values() for found in of_drum)
    for key, strokes in drums.items():
        pitches |= pitches_of_strokes(strokes, readings[key], lambda r: r in room_tones)
    return pitches


def group_by_drum(
    hits: Iterable[PitchedStroke],
) -> tuple[dict[tuple[str, ...], list[PitchedStroke]], dict[int, DrumPitch]]:
    """Return the strokes of each drum by session, name and role, and the pitches of all others."""
    pitches: dict[int, DrumPitch] = {}
    drums: dict[tuple[str, ...], list[PitchedStroke]] = defaultdict(list)
    for hit in hits:
        if hit.role in UNPITCHED:
            continue
        if hit.drum:
            drums[hit.session, hit.drum, hit.role].append(hit)
        elif (pitch := _stroke_pitch(hit)) is not None:
            pitches[hit.id] = pitch
    return drums, pitches


def pitches_of_strokes(
    strokes: Sequence[PitchedStroke],
    readings: Sequence[Reading],
    is_room_tone: Callable[[Reading], bool],
) -> dict[int, DrumPitch]:
    """Return the pitches of the strokes of one drum, from its readings that are no room tones.

    `is_room_tone` is called only for readings that would be chosen.
    """
    best = next((r for r in sorted(readings, key=_rank) if not is_room_tone(r)), None)
    pitches: dict[int, DrumPitch] = {}
    if best is None:
        return pitches
    for hit in strokes:
        pitch = best.pitch
        if pitch is None and hit.microphone == best.microphone:
            pitch = _stroke_pitch(hit, has_others=best.n_strokes >= MIN_STROKES)
        if pitch is not None:
            pitches[hit.id] = pitch
    return pitches


class Reading(NamedTuple):
    """The pitch of one drum through one microphone, or None; and how far that microphone is."""

    drum: tuple[str, ...]  # session, name and role
    microphone: str
    distance: int  # see `distance_class`
    n_strokes: int
    pitch: DrumPitch | None


def read_microphones(strokes: Sequence[PitchedStroke]) -> list[Reading]:
    """Return what the strokes of one drum show through each of its microphones."""
    by_microphone: dict[str, list[PitchedStroke]] = defaultdict(list)
    for hit in strokes:
        by_microphone[hit.microphone].append(hit)
    return [
        Reading(
            (hits[0].session, hits[0].drum, hits[0].role), name, distance_class(hits[0]),
            len(hits), agreed_pitch(hits) if len(hits) >= MIN_STROKES else None,
        )
        for name, hits in by_microphone.items()
    ]  # fmt: skip


def _rank(reading: Reading) -> tuple[bool, int, float]:
    """Return the rank of a reading: with several strokes first, then by distance and certainty."""
    certainty = reading.pitch.certainty if reading.pitch else 0.0
    return reading.n_strokes < MIN_STROKES, reading.distance, -certainty


def find_room_tones(readings: Iterable[Reading]) -> set[Reading]:
    """Return readings of far microphones that drums of another role share."""
    far: dict[tuple[str, str], list[tuple[float, Reading]]] = defaultdict(list)
    for reading in readings:
        if reading.pitch is not None and reading.distance >= FAR_CLASS:
            semitones = 12.0 * math.log2(reading.pitch.hz)
            far[reading.drum[0], reading.microphone].append((semitones, reading))
    tones = set()
    for shared in far.values():
        for at, reading in shared:
            roles = {r.drum[2] for other, r in shared if abs(other - at) <= ROOM_TONE}
            if len(roles) > 1:
                tones.add(reading)
    return tones


def pitched(hit: Hit, pitches: Mapping[int, DrumPitch]) -> dict[str, float]:
    """Return the descriptors of a hit with the pitch of its drum, or NaN, as `body_hz`.

    A hit that is not in the catalog (id 0) keeps its own.
    """
    if not hit.id:
        return dict(hit.descriptors)
    hz = pitches[hit.id].hz if hit.id in pitches else math.nan
    return {**hit.descriptors, "body_hz": hz}


def agreed_pitch(strokes: Sequence[PitchedStroke]) -> DrumPitch | None:
    """Return the frequency that most strokes of one drum through one microphone share, or None.

    Each stroke counts by how clearly its mode stands out. The certainty is the share of the strokes
    within `TOLERANCE`; for few strokes it depends on the clearness of the mode.
    """
    modes = np.array([_mode(hit) for hit in strokes]).reshape(-1, 2)
    clearness = modes[:, 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        semitones = 12.0 * np.log2(modes[:, 0])
    near = np.abs(semitones[:, None] - semitones) <= TOLERANCE / 2
    if not near.any():
        return None
    center = semitones[int((near @ np.nan_to_num(clearness)).argmax())]
    agree = np.abs(semitones - center) <= TOLERANCE
    pitch = _weighted_median(semitones[agree], clearness[agree])
    agree = np.abs(semitones - pitch) <= TOLERANCE
    certainty = (agree.sum() + clearness[agree].mean()) / (len(strokes) + 1)
    if certainty < MIN_CERTAINTY:
        return None
    return DrumPitch(2.0 ** (pitch / 12.0), float(certainty), len(strokes), strokes[0].microphone)


def _stroke_pitch(hit: PitchedStroke, *, has_others: bool = False) -> DrumPitch | None:
    """Return the pitch of one stroke by itself; it must be clearer if others disagree with it."""
    hz, clearness = hit.descriptors.get("body_hz", math.nan), _mode(hit)[1]
    is_clear = hz > 0.0 and (clearness >= MIN_CERTAINTY or not has_others)
    return DrumPitch(hz, clearness, 1, hit.microphone) if is_clear else None


def _mode(hit: PitchedStroke) -> tuple[float, float]:
    """Return the lowest mode of a stroke in Hz, and its clearness, 0 to 1, 0.5 at the limit.

    They are NaN and 0 for a mode that is too faint to count.
    """
    numbers = hit.descriptors
    hz = numbers.get("mode_hz", numbers.get("body_hz", math.nan))
    share = numbers.get("mode_share", CLEAR_SHARE)
    return (hz, share / (share + CLEAR_SHARE)) if share >= FAINTEST else (math.nan, 0.0)


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values, kind="stable")
    cumulative = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(cumulative, 0.5 * cumulative[-1])])
