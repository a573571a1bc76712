"""Answers of a search: the hit found, its distance, and the audible differences in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from catalog.features.descriptors import DESCRIPTORS
from catalog.models import Hit

MAX_REASONS = 3
LEVEL_STEP_DB = 1.0  # the usual step of loudness tables
LEVEL_WEIGHT_DB = 3.0  # dB that count as much as one step of `AUDIBLE_RATIOS`

# Relative change that is audible: common practice, no published source, except for pitch, where
# it is a quarter tone.
AUDIBLE_RATIOS: dict[str, float] = {
    "decay20_s": 0.15, "centroid_hz": 0.08, "body_hz": 0.03, "attack_s": 0.5, "length_s": 0.15,
    "flatness": 0.3,
}  # fmt: skip
_DESCRIPTOR = {descriptor.name: descriptor for descriptor in DESCRIPTORS}


@dataclass(frozen=True, slots=True)
class Match:
    """One hit found by a search."""

    hit: Hit
    distance: float  # from the hit searched from; comparable within one search only
    query_hit: Hit = field(repr=False, compare=False)  # of id 0 for a file outside the catalog

    @property
    def hit_id(self) -> int:
        """Id of the hit found."""
        return self.hit.id

    @property
    def reasons(self) -> tuple[str, ...]:
        """Return the differences from the query hit, see `describe_difference`."""
        return describe_difference(self.query_hit, self.hit)


def describe_difference(hit: Hit, other: Hit) -> tuple[str, ...]:
    """Describe how another hit differs: "40 ms shorter", "300 Hz darker", "from Attic".

    At most `MAX_REASONS` audible differences are listed, the largest first, then the session of
    `other` if it is a different one.
    """
    found = audible_differences(as_heard(hit), as_heard(other))
    if other.session and other.session != hit.session:
        found += (f"from {other.session}",)
    return found


def as_heard(hit: Hit) -> Mapping[str, float]:
    """Return the descriptors of a hit, with its loudness over two loudspeakers."""
    return {**hit.descriptors, "loudness_lkfs": hit.played_lkfs}


def audible_differences(
    descriptors: Mapping[str, float], other: Mapping[str, float]
) -> tuple[str, ...]:
    """List the `MAX_REASONS` largest audible differences of the second set of descriptors."""
    found = []
    for name, ratio in AUDIBLE_RATIOS.items():
        a, b = descriptors.get(name, math.nan), other.get(name, math.nan)
        if not (math.isfinite(a) and math.isfinite(b)) or a <= 0 or b <= 0:
            continue
        steps = abs(math.log(b / a)) / math.log1p(ratio)
        if steps >= 1.0:
            found.append((steps, _phrase(name, b - a)))
    louder_db = other.get("loudness_lkfs", math.nan) - descriptors.get("loudness_lkfs", math.nan)
    if math.isfinite(louder_db) and abs(louder_db) >= LEVEL_STEP_DB:
        word = "louder" if louder_db > 0 else "softer"
        found.append((abs(louder_db) / LEVEL_WEIGHT_DB, f"{abs(louder_db):.0f} dB {word}"))
    found.sort(key=lambda pair: -pair[0])
    return tuple(text for _, text in found[:MAX_REASONS])


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
