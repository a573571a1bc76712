"""Which channels of a file are one microphone: by the names of its tracks, or by measurement."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.audio.arrival import measure_arrivals

PAIR_DB = 3.0  # largest difference in level between the channels of a pair; common practice
PAIR_S = 0.001  # largest delay between them: 34 cm of path, for a drum near the middle
PAIR_ENVELOPE = 0.9  # least correlation of their levels over the loudest part
BLOCK_S = 0.005  # of that level
# Of stereo recordings of open sets that pass the limits above, 95 % differ by less over the bands,
# and 90 % over time; of two microphones made equally loud, all differ by more over the bands.
PAIR_BANDS_DB = 2.5  # standard deviation of the difference over bands
PAIR_TIME_DB = 3.0  # and over the loud blocks
LOUD_DB = -30.0  # of a block, below the loudest one
BANDS_HZ, N_BANDS = (200.0, 17_000.0), 18
FRAME_S, LOUD_FRAMES = 0.050, 400  # of a spectrum, which resolves the lowest band; how many


@dataclass(frozen=True)
class ChannelGroup:
    """One microphone of a file: its name and its channels, counted from 1."""

    name: str
    channels: tuple[int, ...]

    def pick(self, samples: np.ndarray) -> np.ndarray:
        """Return its channels of samples of shape (n_frames, n_channels)."""
        return samples[:, [channel - 1 for channel in self.channels]]


def group_channels(
    samples: np.ndarray,
    *,
    sr: int,
    names: Sequence[str] = (),
    pair_name: Callable[[str, str], str | None],
) -> tuple[ChannelGroup, ...]:
    """Divide the channels of a file into microphones.

    Two channels without names are one stereo microphone. Of more channels, two neighbors are one
    stereo microphone if their names are the sides of one, or without names if level, arrival,
    envelope and spectrum are alike in all strokes.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz
    names : sequence of str, of the tracks; they are used if there is one for each channel
    pair_name : callable
        returns what the names of a left and a right channel have in common, else None

    Returns
    -------
    tuple of ChannelGroup, in the order of the channels; empty if the file is one microphone
    """
    n_channels = samples.shape[1]
    named = len(names) == n_channels and all(names) and len(set(names)) == n_channels
    if n_channels < 2 or (n_channels == 2 and not named):
        return ()
    groups: list[ChannelGroup] = []
    at = 0
    while at < n_channels:
        common = None
        if at + 1 < n_channels:
            if named:
                common = pair_name(names[at], names[at + 1])
            elif _is_pair(samples[:, at : at + 2], sr=sr):
                common = f"ch {at + 1}-{at + 2}"
        width = 1 if common is None else 2
        name = common or (names[at] if named else f"ch {at + 1}")
        groups.append(ChannelGroup(name, tuple(range(at + 1, at + 1 + width))))
        at += width
    return tuple(groups) if len(groups) > 1 else ()


def _is_pair(samples: np.ndarray, *, sr: int) -> bool:
    """Return whether two channels are alike in level, arrival, envelope and spectrum."""
    power = np.square(samples, dtype=np.float64).mean(axis=0)
    if power.min() <= 0 or abs(10 * np.log10(power[0] / power[1])) > PAIR_DB:
        return False
    block = max(1, round(BLOCK_S * sr))
    n = len(samples) // block * block
    blocks = np.square(samples[:n], dtype=np.float64).reshape(-1, block, 2).mean(axis=1)
    if len(blocks) < 2 or np.corrcoef(np.sqrt(blocks), rowvar=False)[0, 1] < PAIR_ENVELOPE:
        return False
    if _differ_over_time(blocks) or _differ_over_bands(samples, sr=sr):
        return False
    loudest = int(np.argmax(np.abs(samples).max(axis=1)))
    arrivals = measure_arrivals([samples[max(0, loudest - round(0.02 * sr)) :]], sr=sr)
    delays = [arrival.delay_samples for arrival in arrivals]
    return max(delays) <= PAIR_S * sr and arrivals[1].polarity == arrivals[0].polarity


def _differ_over_time(blocks: np.ndarray) -> bool:
    """Return whether the level of one channel over the other varies; `blocks` hold powers."""
    highest = blocks.max(axis=1)
    loud = blocks[highest > highest.max() * 10 ** (LOUD_DB / 10)]
    levels = 10 * np.log10(loud + 1e-20)
    return float(np.std(levels[:, 0] - levels[:, 1])) > PAIR_TIME_DB


def _differ_over_bands(samples: np.ndarray, *, sr: int) -> bool:
    """Return whether the spectra of two channels differ, as those of two distances do."""
    n = max(2, round(FRAME_S * sr))
    frames = samples[: len(samples) // n * n].reshape(-1, n, 2)
    if not len(frames):
        return False
    energy = np.square(frames, dtype=np.float64).sum(axis=(1, 2))
    loud = frames[np.argsort(energy)[-LOUD_FRAMES:]]
    power = np.square(np.abs(np.fft.rfft(loud * np.hanning(n)[:, None], axis=1))).sum(axis=0)
    top = min(BANDS_HZ[1], 0.45 * sr)
    edges = np.geomspace(BANDS_HZ[0], top, N_BANDS + 1) * n / sr
    bands = np.add.reduceat(power, edges.astype(int), axis=0)[:N_BANDS]
    levels = 10 * np.log10(bands + 1e-20)
    return float(np.std(levels[:, 0] - levels[:, 1])) > PAIR_BANDS_DB
