"""The order of preference among copies, and the reason for a choice in words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from catalog.audio.model import LOSSY_SUBTYPES, SAMPLE_FORMATS
from catalog.models import MARK_RANK, Hit

CLIP_RUN = 4  # equal samples in a row at the peak
CLIP_NEAR_DB = 0.3  # distance of the peak from full scale
FLOOR_STEP_DB = 1.0  # of the noise floor relative to the peak, which gain does not change
NO_FLOOR_DB = -200.0  # relative to the peak, of a hit that shows no noise
UNKNOWN_PEAK_DB = -120.0  # dBFS, of a hit that is one sample long and has no level
LEVEL_STEP_DB = 1.0  # peaks closer than this count as equal
TAIL_STEP_S = 0.05
MIN_WIDTH = 0.01  # stereo width below which two channels count as mono
BITS = {name: form.precision_bits for name, form in SAMPLE_FORMATS.items()}
COPY_NAME = re.compile(r"\(\d+\)$|\bcopy\b|\bkopie\b", re.IGNORECASE)


def is_clipped(hit: Hit) -> bool:
    """Return whether the waveform is cut off at full scale."""
    run, peak_db = hit.descriptors.get("clip_run", 0.0), hit.descriptors["peak_db"]
    return run >= CLIP_RUN and abs(peak_db) < CLIP_NEAR_DB


def has_copy_name(hit: Hit) -> bool:
    """Return whether the name is one that file managers give to copies."""
    return COPY_NAME.search(hit.name) is not None


def n_provenance_fields(hit: Hit) -> int:
    """Count the known fields of where a hit comes from, 0 to 4."""
    return sum(map(bool, (hit.microphone, hit.take, hit.note, hit.origin.get("time_reference"))))


def _peak_db(hit: Hit) -> float:
    peak_db = hit.descriptors["peak_db"]
    return peak_db if math.isfinite(peak_db) else UNKNOWN_PEAK_DB


def preference_key(hit: Hit) -> tuple[float, ...]:
    """Return a sort key that puts the hit to keep first.

    In this order: not a file of an exported kit, the user's mark, lossless, not clipped, bit depth,
    sample rate, stereo, tail, noise floor, provenance, name, level, age.
    """
    floor_db = _floor_db(hit)
    return (
        float(hit.exported),
        float(MARK_RANK[hit.mark]),
        float(hit.subtype in LOSSY_SUBTYPES),
        float(is_clipped(hit)),
        -float(BITS.get(hit.subtype, 0)),
        -float(hit.sr),
        -float(_is_stereo(hit)),
        -round(hit.descriptors.get("tail_s", 0.0), 1),
        round(floor_db / FLOOR_STEP_DB) if np.isfinite(floor_db) else NO_FLOOR_DB,
        -float(n_provenance_fields(hit)),
        float(has_copy_name(hit)),
        -float(round(_peak_db(hit) / LEVEL_STEP_DB)),
        float(hit.id),
    )


def preference_reason(keep: Hit, others: Sequence[Hit]) -> str:
    """Describe the advantages of the kept hit over the best of one or more others.

    An example is "kept: 24-bit, 0.8 s more tail".
    """
    other = min(others, key=preference_key)
    tail_s = keep.descriptors.get("tail_s", 0.0) - other.descriptors.get("tail_s", 0.0)
    tail = f"{tail_s:.1f} s" if tail_s >= 0.1 else f"{1000 * tail_s:.0f} ms"
    floor_db, bits = _floor_db(other) - _floor_db(keep), BITS.get(keep.subtype, 0)
    louder_db = _peak_db(keep) - _peak_db(other)
    advantages = (
        (other.exported and not keep.exported, "the other is a file of an exported kit"),
        (
            MARK_RANK[keep.mark] < MARK_RANK[other.mark],
            f"marked {keep.mark}" if keep.mark else "the other is marked no good",
        ),
        (other.subtype in LOSSY_SUBTYPES and keep.subtype not in LOSSY_SUBTYPES, "not lossy"),
        (is_clipped(other) and not is_clipped(keep), "not clipped"),
        (keep.sr > other.sr, f"{keep.sr / 1000:g} kHz"),
        (bits > BITS.get(other.subtype, 0), "float" if bits == 25 else f"{bits}-bit"),
        (_is_stereo(keep) and not _is_stereo(other), "stereo"),
        (tail_s >= TAIL_STEP_S, f"{tail} more tail"),
        (floor_db >= FLOOR_STEP_DB, f"noise floor {floor_db:.0f} dB lower"),
        (
            n_provenance_fields(keep) > n_provenance_fields(other),
            "more is known of where it comes from",
        ),
        (has_copy_name(other) and not has_copy_name(keep), "the other has the name of a copy"),
    )
    reasons = [text for is_better, text in advantages if is_better]
    if not reasons and louder_db >= LEVEL_STEP_DB:
        reasons.append(f"{louder_db:.0f} dB louder")
    return f"kept: {', '.join(reasons) or 'the first found, with no other difference'}"


def _floor_db(hit: Hit) -> float:
    """Return the noise floor relative to the hit's own peak; NaN if it shows none."""
    return hit.descriptors.get("floor_db", np.nan) - hit.descriptors["peak_db"]


def _is_stereo(hit: Hit) -> bool:
    return hit.n_channels > 1 and hit.descriptors.get("width", 0.0) > MIN_WIDTH
