"""A hit ready to be judged against another: its mix, and each side where the channels differ."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from catalog.errors import ParameterError
from catalog.sound.compare import (
    SURE_DB,
    Agreement,
    Prepared,
    compare_hits,
    prepare_hit,
    prepare_mono_hit,
)
from catalog.sound.decode import Audio
from catalog.sound.strokes import mix_to_mono

EQUAL_SIDES = 1e-4  # of the energy; channels that differ by less are one
SHORT_S = 0.02  # no cell fits into a shorter hit
CONSTANT = 1e-4  # of the peak; 16 bits hold less of a hit at full scale


@dataclass(frozen=True, eq=False)
class Recording:
    """A hit ready to be judged: its mix and, where the channels differ, each side.

    Attributes
    ----------
    mix : Prepared
    sides : tuple of Prepared, empty for one channel or equal ones
    bare : np.ndarray, shape (n,), mono, without the constant at either end
        only of hits shorter than `SHORT_S`, in which no cell fits
    sr : int, Hz, of `bare`
    """

    mix: Prepared
    sides: tuple[Prepared, ...] = ()
    bare: np.ndarray | None = None
    sr: int = 0


class Met(NamedTuple):
    """The two views of a pair that agree best."""

    first: Prepared
    second: Prepared
    plain: Agreement


def prepare_recording(audio: Audio) -> Recording:
    """Make a hit ready to be judged.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    Recording

    Raises
    ------
    ParameterError
        if it holds no stroke
    """
    mix = prepare_hit(audio)
    bare = _without_ends(mix_to_mono(audio.samples))
    short = bare if len(bare) < SHORT_S * audio.sr else None
    return Recording(mix, _sides(audio), short, audio.sr)


def _sides(audio: Audio) -> tuple[Prepared, ...]:
    y = audio.samples
    if y.shape[1] != 2:
        return ()
    apart = float(np.square(y[:, 0] - y[:, 1]).sum())
    if apart < EQUAL_SIDES * float(np.square(y).sum()):
        return ()
    sides = []
    for channel in y.T:
        with suppress(ParameterError):  # a silent side is none
            sides.append(prepare_mono_hit(channel, sr=audio.sr, subtype=audio.subtype))
    return tuple(sides)


def _without_ends(mono: np.ndarray) -> np.ndarray:
    """Leave out what stays at the first value before, and at the last value after."""
    least = CONSTANT * float(np.abs(mono).max(initial=0.0))
    moved = np.flatnonzero(np.abs(mono - mono[0]) > least)
    left = np.flatnonzero(np.abs(mono - mono[-1]) > least)
    return (
        mono[moved[0] : left[-1] + 2].astype(np.float64) if len(moved) and len(left) else mono[:0]
    )


def meet(first: Recording, second: Recording) -> Met:
    """Compare two hits; one channel is also compared with each side of two.

    Parameters
    ----------
    first, second : Recording

    Returns
    -------
    Met
    """
    best = Met(first.mix, second.mix, compare_hits(first.mix, second.mix))
    if best.plain.score_db >= SURE_DB or bool(first.sides) == bool(second.sides):
        return best
    for a in first.sides or (first.mix,):
        for b in second.sides or (second.mix,):
            found = Met(a, b, compare_hits(a, b))
            if found.plain.score_db > best.plain.score_db:
                best = found
    return best
