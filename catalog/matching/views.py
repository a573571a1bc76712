"""A hit ready to be judged against another: its mix, and each side where the channels differ."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import product
from typing import NamedTuple

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features.onset import first_beyond, highest, mix_to_mono
from catalog.matching.coherence import SURE_DB, Agreement, compare_hits
from catalog.matching.fingerprint import Sketches, correlate_sketches, sketch_hits
from catalog.matching.prepare import Prepared, prepare_mono_hit

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
    _sketches: list[Sketches] = field(default_factory=list, init=False, repr=False)

    @property
    def views(self) -> tuple[Prepared, ...]:
        """The mix and each side."""
        return (self.mix, *self.sides)


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


def sketches_of(recordings: Sequence[Recording]) -> list[Sketches]:
    """Sketches of the views of each; they are kept.

    Parameters
    ----------
    recordings : sequence of Recording

    Returns
    -------
    list of Sketches, one a recording
    """
    missing = list({id(one): one for one in recordings if not one._sketches}.values())
    if missing:
        sketches = sketch_hits([view for one in missing for view in one.views])
        stops = np.cumsum([len(one.views) for one in missing]).tolist()
        for one, start, stop in zip(missing, [0, *stops], stops, strict=False):
            one._sketches.append(sketches.take(slice(start, stop)))
    return [one._sketches[0] for one in recordings]


def sketches_alike(pairs: Sequence[tuple[Recording, Recording]]) -> np.ndarray:
    """How alike the sketches of pairs are: the correlation of the views that are most alike.

    Parameters
    ----------
    pairs : sequence of (Recording, Recording)

    Returns
    -------
    np.ndarray, float64, shape (n_pairs,), see `correlate_sketches`
    """
    recordings = list({id(one): one for pair in pairs for one in pair}.values())
    starts = np.cumsum([0, *(len(one.views) for one in recordings)]).tolist()
    start = {id(one): at for one, at in zip(recordings, starts, strict=False)}
    views = [
        (at, start[id(a)] + i, start[id(b)] + j)
        for at, (a, b) in enumerate(pairs)
        for i, j in meeting_views(len(a.views), len(b.views))
    ]
    of, first, second = np.array(views, int).reshape(-1, 3).T
    alike = np.zeros(len(pairs))
    if views:
        sketches = Sketches.join(sketches_of(recordings))
        np.maximum.at(alike, of, correlate_sketches(sketches, first, second))
    return alike


def meet(pairs: Sequence[tuple[Recording, Recording]]) -> list[Met]:
    """Compare pairs of hits; one channel is also compared with each side of two.

    Parameters
    ----------
    pairs : sequence of (Recording, Recording)

    Returns
    -------
    list of Met, one a pair
    """
    best = _meet([(a.mix, b.mix) for a, b in pairs])
    sides = [
        (at, a.views[i], b.views[j])
        for at, (a, b) in enumerate(pairs)
        if best[at].plain.score_db < SURE_DB
        for i, j in meeting_views(len(a.views), len(b.views))[1:]
    ]
    for (at, *_), met in zip(sides, _meet([(a, b) for _, a, b in sides]), strict=True):
        if met.plain.score_db > best[at].plain.score_db:
            best[at] = met
    return best


def _meet(pairs: Sequence[tuple[Prepared, Prepared]]) -> list[Met]:
    return [Met(*pair, plain) for pair, plain in zip(pairs, compare_hits(pairs), strict=True)]
