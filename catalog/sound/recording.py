"""A hit ready to be judged against another: its mix, and each side where the channels differ."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import NamedTuple

import numpy as np

from catalog.errors import ParameterError
from catalog.sound.compare import (
    SURE_DB,
    Agreement,
    Prepared,
    compare_hits,
    prepare_mono_hit,
)
from catalog.sound.decode import Audio
from catalog.sound.sketch import Sketches, correlate_sketches, sketch_hit
from catalog.sound.strokes import first_beyond, highest, mix_to_mono

EQUAL_SIDES = 1e-4  # of the energy; channels that differ by less are one
SHORT_S = 0.02  # no cell fits into a shorter hit
LOOKS = 64  # in `SHORT_S`, to see that a hit is longer
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

    @cached_property
    def sketches(self) -> Sketches:
        """Sketches of the mix and of each side, in this order."""
        return Sketches.join([sketch_hit(view) for view in (self.mix, *self.sides)])


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
    mono = mix_to_mono(audio.samples)
    mix = prepare_mono_hit(mono, sr=audio.sr, subtype=audio.subtype)
    bare = None if _is_plainly_long(mono, sr=audio.sr) else _without_ends(mono)
    short = None if bare is None or len(bare) >= SHORT_S * audio.sr else bare.astype(np.float64)
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


def _is_plainly_long(mono: np.ndarray, *, sr: int) -> bool:
    """Tell by a few samples whether `_without_ends` leaves `SHORT_S`; False only says not sure."""
    step = max(1, round(SHORT_S * sr / LOOKS))
    some, least = mono[::step], CONSTANT * highest(mono)
    first = first_beyond(some - mono[0], least)
    last = len(some) - 1 - first_beyond((some - mono[-1])[::-1], least)
    return (last - first) * step >= SHORT_S * sr


def _without_ends(mono: np.ndarray) -> np.ndarray:
    """Leave out what stays at the first value before, and at the last value after."""
    least = CONSTANT * highest(mono)
    first = first_beyond(mono - mono[0], least)
    last = first_beyond((mono - mono[-1])[::-1], least)
    if len(mono) in (first, last):
        return mono[:0]
    return mono[first : len(mono) - last + 1]


def meeting_views(n_first: int, n_second: int) -> list[tuple[int, int]]:
    """Which views of two hits are compared: the mixes; one channel also with each side of two.

    Parameters
    ----------
    n_first, n_second : int, views of each, the mix (0) and its sides (1, 2)

    Returns
    -------
    list of (int, int), the mixes first
    """
    if (n_first > 1) == (n_second > 1):
        return [(0, 0)]
    return [(0, 0), *product(range(1, n_first) or (0,), range(1, n_second) or (0,))]


def sketches_alike(sketches: Sequence[Sketches], pairs: np.ndarray) -> np.ndarray:
    """How alike the sketches of pairs are: the correlation of the views that are most alike.

    Parameters
    ----------
    sketches : sequence of Sketches, at least one, see `Recording.sketches`
    pairs : np.ndarray, int, shape (n_pairs, 2), into `sketches`

    Returns
    -------
    np.ndarray, float64, shape (n_pairs,), see `correlate_sketches`
    """
    n_views = [len(one) for one in sketches]
    start = np.cumsum([0, *n_views]).tolist()
    views = [
        (at, start[a] + i, start[b] + j)
        for at, (a, b) in enumerate(pairs.tolist())
        for i, j in meeting_views(n_views[a], n_views[b])
    ]
    of, first, second = np.array(views, int).reshape(-1, 3).T
    alike = np.zeros(len(pairs))
    np.maximum.at(alike, of, correlate_sketches(Sketches.join(sketches), first, second))
    return alike


def meet(first: Recording, second: Recording) -> Met:
    """Compare two hits; one channel is also compared with each side of two.

    Parameters
    ----------
    first, second : Recording

    Returns
    -------
    Met
    """
    one, other = (first.mix, *first.sides), (second.mix, *second.sides)
    best: Met | None = None
    for i, j in meeting_views(len(one), len(other)):
        found = Met(one[i], other[j], compare_hits(one[i], other[j]))
        if best is None or found.plain.score_db > best.plain.score_db:
            best = found
        if best.first is first.mix and best.plain.score_db >= SURE_DB:
            break
    assert best is not None
    return best
