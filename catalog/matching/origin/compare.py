"""Compare two copies: which was made from the other."""

from __future__ import annotations

import numpy as np

from catalog.audio.model import LOSSY_SUBTYPES, Audio
from catalog.matching.origin.aligned import AlignedPair, align_copies
from catalog.matching.origin.dynamics import dynamics_sign
from catalog.matching.origin.edges import edge_signs, fade_sign
from catalog.matching.origin.model import Loss, Origin, Sign
from catalog.matching.origin.rounding import rounding_signs
from catalog.matching.origin.spectrum import low_cut_sign, rate_signs, spectrum_signs

EXPLAINED_BY = {
    Loss.DYNAMICS: (Loss.FADE,),
    Loss.PROCESSED: (),
    Loss.BANDWIDTH: (Loss.DYNAMICS, Loss.LOSSY),
    Loss.LOW_CUT: (Loss.DYNAMICS, Loss.FADE),
    Loss.NOISE: (Loss.DYNAMICS, Loss.FADE, Loss.BANDWIDTH, Loss.LOSSY),
}


def compare_origin(first: Audio, second: Audio) -> Origin:
    """Estimate which of two copies of one recording was made from the other.

    Parameters
    ----------
    first, second : Audio, decoded, known to be copies

    Returns
    -------
    Origin, its `order` is 0 where nothing shows it
    """
    lossy = _lossy_sign(first, second)
    if lossy:
        return Origin(tuple(lossy))
    signs = _channel_sign(first, second)
    pair = align_copies(first, second)
    if pair is None:
        return Origin(tuple(signs))
    signs += edge_signs(pair)
    if first.sr == second.sr:
        rounding, is_plain = rounding_signs(pair)
        signs += rounding
        if is_plain:
            return Origin(tuple(signs))
    signs += rate_signs(first, second)
    signs += fade_sign(pair)
    found = dynamics_sign(pair) + spectrum_signs(pair) + low_cut_sign(pair)
    signs += _unless_explained(found, signs)
    return Origin((*signs, *_grid_sign(pair)))


def _unless_explained(found: list[Sign], signs: list[Sign]) -> list[Sign]:
    """Leave out signs that another change of the other copy explains.

    Driven sound has new harmonics at both ends of the spectrum, a fade and a coder remove noise.
    """
    strong = {s.loss: s.weight for s in [*found, *signs]}
    kept = []
    for sign in found:
        causes = EXPLAINED_BY[sign.loss]
        if not any(strong.get(cause, 0.0) * sign.weight < 0 for cause in causes):
            kept.append(sign)
    return kept


def _lossy_sign(first: Audio, second: Audio) -> list[Sign]:
    is_first, is_second = (audio.subtype in LOSSY_SUBTYPES for audio in (first, second))
    return [] if is_first == is_second else [Sign(Loss.LOSSY, 8.0 if is_second else -8.0)]


def _channel_sign(first: Audio, second: Audio) -> list[Sign]:
    n_a, n_b = _n_channels(first), _n_channels(second)
    return [] if n_a == n_b else [Sign(Loss.CHANNEL, 4.0 if n_a > n_b else -4.0)]


def _n_channels(audio: Audio) -> int:
    y = audio.samples
    if y.shape[1] == 1:
        return 1
    difference = float(np.square(y[:, :1] - y[:, 1:]).sum())
    return 1 if difference < 1e-4 * float(np.square(y).sum()) else y.shape[1]


def _grid_sign(pair: AlignedPair) -> list[Sign]:
    if bool(pair.bits_a) == bool(pair.bits_b):
        return []
    return [Sign(Loss.PROCESSED, 1.1 if pair.bits_a else -1.1)]
