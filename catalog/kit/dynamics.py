"""Level by velocity: the strokes of a slot follow one smooth law, whatever their recorded levels.

A stroke plays at its recorded level at one velocity; the curve of its layer raises or lowers it at
the others, so that neighboring layers meet at one level.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from catalog.kit.layers import MAX_BOOST_DB, SOFT_VELOCITY, Layer, is_fragment, law_db
from catalog.models import Hit

POINT_RATIO = 1.2  # between points of a curve; straight lines between them err by 0.1 dB at most
ONE_LEVEL = (
    "all strokes were normalized to one level: they are ordered by timbre, and velocity sets the "
    "level; check the order by ear"
)
JUMP_DB = 9.0  # LU between the recordings of neighboring layers: their timbre changes audibly;
# common practice, no source


@dataclass(frozen=True)
class StrokeCurve:
    """Gain of one stroke by velocity, over its recorded level."""

    top_db: float  # at the highest velocity of its layer, at most `MAX_BOOST_DB`
    points: Mapping[int, float]  # velocity to amplitude relative to `top_db`, 0 to 1, rising

    def gain_db(self, velocity: int) -> float:
        """Return the gain at a velocity of the layer as players interpolate it, dB."""
        share = np.interp(velocity, list(self.points), list(self.points.values()))
        return self.top_db + 20.0 * math.log10(max(float(share), 1e-9))


def reference_lkfs(layers: Sequence[Layer]) -> float:
    """Return the loudness of velocity 127, LKFS: the loudest stroke of the strongest layer.

    It is NaN if no stroke of that layer has a loudness.
    """
    known = [hit.played_lkfs for hit in layers[-1].hits if math.isfinite(hit.played_lkfs)]
    return max(known, default=math.nan)


def stroke_curve(hit: Hit, layer: Layer, layers: Sequence[Layer]) -> StrokeCurve:
    """Return the gain of a stroke at the velocities of its layer.

    At each velocity the stroke gets the loudness that `law_db` gives, boosted by `MAX_BOOST_DB` at
    most. A stroke whose loudness is unknown keeps its level at the top of its layer.
    """
    over_db = reference_lkfs(layers) - hit.played_lkfs
    if not math.isfinite(over_db):
        over_db = -law_db(layer.highest)
    top_db = min(law_db(layer.highest) + over_db, MAX_BOOST_DB)
    points = {
        velocity: 10.0 ** ((min(law_db(velocity) + over_db, MAX_BOOST_DB) - top_db) / 20.0)
        for velocity in _point_velocities(layer)
    }
    return StrokeCurve(top_db, points)


def stroke_curves(layers: Sequence[Layer]) -> list[tuple[Hit, StrokeCurve]]:
    """Return each stroke of a slot with its curve, the weakest layer first."""
    return [(hit, stroke_curve(hit, layer, layers)) for layer in layers for hit in layer.hits]


def _point_velocities(layer: Layer) -> list[int]:
    """List the lowest and highest velocity of a layer, and enough between them."""
    points = [layer.lowest]
    while points[-1] < layer.highest:
        ratio = 1.0 if points[-1] < SOFT_VELOCITY else POINT_RATIO
        points.append(min(max(points[-1] + 1, round(points[-1] * ratio)), layer.highest))
    return points


def layer_warnings(layers: Sequence[Layer]) -> tuple[str, ...]:
    """Warn of jumps in strength between neighboring layers, fragments and normalized strokes."""
    lines = [
        f"{above.strength - below.strength:.0f} LU between velocity {below.highest} and "
        f"{above.lowest}: a stroke between them is missing"
        for below, above in pairwise(layers)
        if above.strength - below.strength > JUMP_DB
    ]
    for hit in (hit for layer in layers for hit in layer.hits if is_fragment(hit)):
        length_ms = 1000.0 * (hit.stop - hit.start) / hit.sr
        lines.append(f"{hit.name} lasts {length_ms:.1f} ms: remove it, it is no whole stroke")
    is_normalized = any(hit.heard_lkfs is not None for layer in layers for hit in layer.hits)
    return (ONE_LEVEL, *lines) if is_normalized else tuple(lines)
