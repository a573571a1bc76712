"""Which of several copies to keep: a reasoned order, and the reason in words."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from catalog.audio.model import LOSSY_SUBTYPES, SAMPLE_FORMATS
from catalog.models import Hit, Mark

CLIP_RUN, CLIP_NEAR_DB = 4, 0.3  # samples in a flat top, dB from full scale


MARK_RANK = {Mark.KEEP: 0, Mark.STAR: 1, Mark.NONE: 2, Mark.REJECT: 3}


FLOOR_STEP_DB = 1.0  # of the noise under the hit's own peak: a copy turned down hides no noise


LEVEL_STEP_DB = 1.0


BITS = {name: form.precision_bits for name, form in SAMPLE_FORMATS.items()}


def is_clipped(hit: Hit) -> bool:
    """Whether the top of the wave is cut off at full scale."""
    run, peak_db = hit.descriptors.get("clip_run", 0.0), hit.descriptors["peak_db"]
    return run >= CLIP_RUN and abs(peak_db) < CLIP_NEAR_DB


def looks_copied(hit: Hit) -> bool:
    """Whether the name is one that programs give to copies."""
    return re.search(r"\(\d+\)$|\bcopy\b|\bkopie\b", hit.name, re.IGNORECASE) is not None


def n_known(hit: Hit) -> int:
    """How much is known of where a hit comes from, 0 to 4."""
    return sum(map(bool, (hit.microphone, hit.take, hit.note, hit.origin.get("time_reference"))))


def keep_order(hit: Hit) -> tuple[float, ...]:
    """Sort key, the best first.

    The user's mark, lossless, not clipped, bits, rate, two channels over one, tail, noise
    floor, provenance, name, level, age.

    Parameters
    ----------
    hit : Hit

    Returns
    -------
    tuple of float
    """
    floor = _floor_db(hit)
    return (
        float(MARK_RANK.get(hit.mark, 2)),
        float(hit.subtype in LOSSY_SUBTYPES),
        float(is_clipped(hit)),
        -float(BITS.get(hit.subtype, 0)),
        -float(hit.sr),
        -float(_is_wide(hit)),
        -round(hit.descriptors.get("tail_s", 0.0), 1),
        round(floor / FLOOR_STEP_DB) if np.isfinite(floor) else 0.0,
        -float(n_known(hit)),
        float(looks_copied(hit)),
        -float(round(hit.descriptors["peak_db"] / LEVEL_STEP_DB)),
        float(hit.id),
    )


def _floor_db(hit: Hit) -> float:
    """The noise floor against the hit's own peak, dB; NaN where it is not known."""
    return hit.descriptors.get("floor_db", np.nan) - hit.descriptors["peak_db"]


def _is_wide(hit: Hit) -> bool:
    return hit.n_channels > 1 and hit.descriptors.get("width", 0.0) > 0.01


def keep_reason(keep: Hit, others: Sequence[Hit]) -> str:
    """Say what the kept hit has over the best of the others.

    Parameters
    ----------
    keep : Hit
    others : sequence of Hit, at least one

    Returns
    -------
    str, such as "kept: 24-bit, 0.8 s more tail"
    """
    other = min(others, key=keep_order)
    reasons = [*_said(keep, other), *_format(keep, other), *_sound(keep, other)]
    if n_known(keep) > n_known(other):
        reasons.append("more is known of where it comes from")
    if looks_copied(other) and not looks_copied(keep):
        reasons.append("the other's name is a copy's")
    louder = keep.descriptors["peak_db"] - other.descriptors["peak_db"]
    if not reasons and louder >= LEVEL_STEP_DB:
        reasons.append(f"{louder:.0f} dB louder")
    return "kept: " + (
        ", ".join(reasons) if reasons else "the first found; nothing tells them apart"
    )


def _said(keep: Hit, other: Hit) -> list[str]:
    if MARK_RANK.get(keep.mark, 2) < MARK_RANK.get(other.mark, 2):
        return [f"marked {keep.mark}" if keep.mark else "the other is marked reject"]
    return []


def _format(keep: Hit, other: Hit) -> list[str]:
    reasons = []
    if keep.subtype not in LOSSY_SUBTYPES and other.subtype in LOSSY_SUBTYPES:
        reasons.append("not lossy")
    if not is_clipped(keep) and is_clipped(other):
        reasons.append("not clipped")
    if keep.sr > other.sr:
        reasons.append(f"{keep.sr / 1000:g} kHz")
    if BITS.get(keep.subtype, 0) > BITS.get(other.subtype, 0):
        reasons.append("float" if BITS[keep.subtype] == 25 else f"{BITS[keep.subtype]}-bit")
    if _is_wide(keep) and not _is_wide(other):
        reasons.append("stereo")
    return reasons


def _sound(keep: Hit, other: Hit) -> list[str]:
    reasons = []
    tail = keep.descriptors.get("tail_s", 0.0) - other.descriptors.get("tail_s", 0.0)
    floor = _floor_db(other) - _floor_db(keep)
    if tail >= 0.05:
        reasons.append(
            f"{tail:.1f} s more tail" if tail >= 0.1 else f"{1000 * tail:.0f} ms more tail"
        )
    if floor >= FLOOR_STEP_DB:
        reasons.append(f"noise floor {floor:.0f} dB lower")
    return reasons
