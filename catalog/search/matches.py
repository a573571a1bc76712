"""Answers of a search: the hit found, its distance, and the audible differences in words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from catalog.features.descriptors.table import DESCRIPTORS
from catalog.models import Hit
from catalog.search.drums.drum_pitch import DrumPitch, pitched

ReadPitches = Callable[[Sequence[Hit]], Mapping[int, DrumPitch] | None]

MAX_REASONS = 3
LEVEL_STEP_DB = 1.0  # the usual step of loudness tables
LEVEL_WEIGHT_DB = 3.0  # dB that count as much as one step of `AUDIBLE_RATIOS`

# Chance that an alternate is another stroke of the drum: a logistic function of the distance in the
# stroke space and of the logarithm of the rank, fitted on six sets of drums, see
# `tests/bench/RESULTS.md`.
SAME_DRUM_LOGIT = (5.5, 2.6, 1.47)
SURE, SURE_BY_NAME = 0.9, 0.97
MOST_OF_DRUM = 3  # of the matches of a search for similar hits, before others

# Relative change that is audible: common practice, no published source, except for pitch, where
# it is a quarter tone.
AUDIBLE_RATIOS: dict[str, float] = {
    "decay20_s": 0.15, "centroid_hz": 0.08, "body_hz": 0.03, "attack_s": 0.5, "length_s": 0.15,
    "flatness": 0.3,
}  # fmt: skip
NOTHING: frozenset[str] = frozenset()
_DESCRIPTOR = {descriptor.name: descriptor for descriptor in DESCRIPTORS}


@dataclass(frozen=True, slots=True)
class Match:
    """One hit found by a search."""

    hit: Hit
    distance: float  # from the hit searched from; comparable within one search only
    query_hit: Hit = field(repr=False, compare=False)  # of id 0 for a file outside the catalog
    n_copies: int = 0  # further files of the same recording, which are not listed
    stroke_distance: float = 0.0  # of alternates: without the neighbors that both share
    # of alternates: how likely it is another stroke of the same drum, 0 to 1; 0 if not estimated
    same_drum: float = 0.0
    # of the drums of some hits, read when reasons are listed; None: each stroke has its own pitch
    pitches: ReadPitches = field(default=lambda _: None, repr=False, compare=False)
    wished: frozenset[str] = field(default=NOTHING, repr=False, compare=False)  # descriptors

    @property
    def hit_id(self) -> int:
        """Id of the hit found."""
        return self.hit.id

    @property
    def reasons(self) -> tuple[str, ...]:
        """Return the differences from the query hit, what was wished for first."""
        pitches = self.pitches((self.query_hit, self.hit))
        return describe_difference(self.query_hit, self.hit, pitches=pitches, wished=self.wished)


def with_same_drum(found: Sequence[Match]) -> list[Match]:
    """Return alternates, nearest first, each with the chance that it is a stroke of that drum.

    It follows from the distance and the rank; strokes whose names show the same drum are sure.
    """
    judged = []
    for rank, match in enumerate(found):
        logit = SAME_DRUM_LOGIT[0] - SAME_DRUM_LOGIT[1] * match.stroke_distance
        logit -= SAME_DRUM_LOGIT[2] * math.log1p(rank)
        chance = 1.0 / (1.0 + math.exp(-logit))
        if _drum(match.hit) and _drum(match.hit) == _drum(match.query_hit):
            chance = max(chance, SURE_BY_NAME)
        judged.append(replace(match, same_drum=chance))
    return judged


def count_sure(found: Sequence[Match]) -> int:
    """Return how many of the first alternates are surely other strokes of the same drum."""
    unsure = (rank for rank, match in enumerate(found) if match.same_drum < SURE)
    return next(unsure, len(found))


def limit_drums(found: Sequence[Match], most: int = MOST_OF_DRUM) -> list[Match]:
    """Return matches with at most so many of one drum before the other ones.

    The drum is known by session and name; matches of unknown drums stay in their places.
    """
    count: Counter[tuple[str, ...]] = Counter()
    first: list[Match] = []
    later: list[Match] = []
    for match in found:
        drum = _drum(match.hit)
        count[drum] += 1
        (first if not drum or count[drum] <= most else later).append(match)
    return first + later


def _drum(hit: Hit) -> tuple[str, ...]:
    return (hit.session, hit.drum) if hit.session and hit.drum else ()


def folded_copies(kept: Mapping[int, int], hit_id: int) -> set[int]:
    """Return the hits that a search from one hit leaves out: copies, and its own recording.

    `kept` holds the id of the kept hit for each copy.
    """
    own = kept.get(hit_id, hit_id)
    same = {own, *(copy for copy, keep in kept.items() if keep == own)}
    return (set(kept) | same) - {hit_id}


def with_library(
    found: Sequence[Match],
    kept: Mapping[int, int],
    pitches: ReadPitches,
    wished: frozenset[str] = NOTHING,
) -> list[Match]:
    """Return the matches with the pitches of drums, and the number of copies not listed."""
    n_copies = Counter(kept.values())
    return [
        replace(match, n_copies=n_copies[match.hit_id], pitches=pitches, wished=wished)
        for match in found
    ]


def describe_difference(
    hit: Hit,
    other: Hit,
    *,
    pitches: Mapping[int, DrumPitch] | None = None,
    wished: frozenset[str] = NOTHING,
) -> tuple[str, ...]:
    """Describe how another hit differs: "40 ms shorter", "300 Hz darker", "from Attic".

    "Lower" and "higher" are about the pitches of the drums, if `pitches` holds them.

    At most `MAX_REASONS` audible differences are listed, those of `wished` descriptors first, then
    the largest, then the session of `other` if it is a different one. A file outside the catalog,
    of id 0, is compared without its level, which depends on how it was recorded.
    """
    heard = as_heard(hit, pitches)
    if hit.id == 0:
        heard = {**heard, "loudness_lkfs": math.nan}
    found = audible_differences(heard, as_heard(other, pitches), wished=wished)
    if other.session and other.session != hit.session:
        found += (f"from {other.session}",)
    return found


def as_heard(hit: Hit, pitches: Mapping[int, DrumPitch] | None = None) -> Mapping[str, float]:
    """Return the descriptors of a hit, with its loudness over two loudspeakers.

    With `pitches`, the body is the pitch of the drum, or NaN.
    """
    numbers = hit.descriptors if pitches is None else pitched(hit, pitches)
    return {**numbers, "loudness_lkfs": hit.played_lkfs}


def audible_differences(
    descriptors: Mapping[str, float],
    other: Mapping[str, float],
    *,
    wished: frozenset[str] = NOTHING,
) -> tuple[str, ...]:
    """List the `MAX_REASONS` largest audible differences of the second set, `wished` ones first."""
    found: list[tuple[bool, float, str]] = []
    for name, ratio in AUDIBLE_RATIOS.items():
        a, b = descriptors.get(name, math.nan), other.get(name, math.nan)
        if not (math.isfinite(a) and math.isfinite(b)) or a <= 0 or b <= 0:
            continue
        steps = abs(math.log(b / a)) / math.log1p(ratio)
        if steps >= 1.0:
            found.append((name in wished, steps, _phrase(name, b - a)))
    louder_db = other.get("loudness_lkfs", math.nan) - descriptors.get("loudness_lkfs", math.nan)
    if math.isfinite(louder_db) and abs(louder_db) >= LEVEL_STEP_DB:
        word = "louder" if louder_db > 0 else "softer"
        steps = abs(louder_db) / LEVEL_WEIGHT_DB
        found.append(("loudness_lkfs" in wished, steps, f"{abs(louder_db):.0f} dB {word}"))
    found.sort(key=lambda row: (not row[0], -row[1]))
    return tuple(text for _, _, text in found[:MAX_REASONS])


def _phrase(name: str, difference: float) -> str:
    word = _DESCRIPTOR[name].more if difference > 0 else _DESCRIPTOR[name].less
    size = abs(difference)
    if name.endswith("_hz"):
        return f"{size:.0f} Hz {word}" if size < 2000 else f"{size / 1000:.1f} kHz {word}"
    if not name.endswith("_s"):
        return word
    amount = f"{1000 * size:.0f} ms" if size < 1 else f"{size:.1f} s"
    if name == "decay20_s":
        return f"rings {amount} {'longer' if difference > 0 else 'shorter'}"
    return f"attack {amount} {word}" if name == "attack_s" else f"{amount} {word}"
