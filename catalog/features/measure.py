"""One pass over a hit: where the stroke is, what a person reads, what the search compares."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.decode import is_finite
from catalog.audio.model import Audio
from catalog.errors import ParameterError
from catalog.features import spectrogram as picture
from catalog.features.descriptors import describe_hit
from catalog.features.faults import Fault, find_faults, find_raw_peak, later
from catalog.features.onset import find_stroke, highest, mix_to_mono
from catalog.features.production import measure_production
from catalog.features.segmentation import find_regions
from catalog.features.timbre import N_SCALARS, measure_scalars

PICTURE_BLOCKS: dict[str, slice] = {
    "image": slice(0, picture.N_IMAGE),
    "low": slice(picture.N_IMAGE, picture.N_IMAGE + picture.N_LOW),
    "fine": slice(
        picture.N_IMAGE + picture.N_LOW, picture.N_IMAGE + picture.N_LOW + picture.N_FINE
    ),
    "scalars": slice(
        picture.N_IMAGE + picture.N_LOW + picture.N_FINE,
        picture.N_IMAGE + picture.N_LOW + picture.N_FINE + N_SCALARS,
    ),
}
N_PICTURE = PICTURE_BLOCKS["scalars"].stop
SCALAR_CLIP = 5.0  # deviations; a hit unlike all others must not outweigh the rest
MEASURE_VERSION = 2  # raise it when a number changes its meaning: scans then measure anew
PICTURE_VERSION = 1  # raise it when the picture does: the shipped arrays must then be made anew


@dataclass(frozen=True, eq=False)
class Measures:
    """What is known of one hit from its samples.

    Attributes
    ----------
    start, stop : int, frames in the file, `stop` exclusive
    descriptors : dict of str to float, see `catalog.features.descriptors.DESCRIPTORS`
    picture : np.ndarray, float32, shape (N_PICTURE,), blocks at `PICTURE_BLOCKS`
    production : np.ndarray, float32, traces of room, microphone and converter
    others : tuple of Measures, the further strokes of a take
    faults : tuple of Fault, the heaviest first; times count from the start of the file
    """

    start: int
    stop: int
    descriptors: dict[str, float]
    picture: np.ndarray
    production: np.ndarray
    others: tuple[Measures, ...] = ()
    faults: tuple[Fault, ...] = ()


def measure_take(audio: Audio) -> Measures:
    """Measure a file that holds one finished hit, or a take with several strokes.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    Measures
        of the first stroke; `others` holds those of the further ones

    Raises
    ------
    ParameterError
        if it holds no stroke or values that are not numbers; the message says which
    """
    mono = _mono_of(audio)
    regions = find_regions(mono, sr=audio.sr)
    if len(regions) < 2:
        return _measure(audio, mono)
    return measure_cut(audio, [(region.start, region.stop) for region in regions])


def measure_cut(audio: Audio, cut: Sequence[tuple[int, int]]) -> Measures:
    """Measure the strokes of a take whose cut is known.

    Parameters
    ----------
    audio : Audio
    cut : sequence of (start, stop), frames, `stop` exclusive; at least one

    Returns
    -------
    Measures
        of the first stroke; `others` holds those of the further ones

    Raises
    ------
    ParameterError
        if a region holds no stroke
    """
    parts = [replace(audio, samples=audio.samples[start:stop]) for start, stop in cut]
    peaks = [highest(part.samples) for part in parts]
    loudest = int(np.argmax(peaks))  # it bears the fault of the whole take
    strokes = []
    for i, (start, stop) in enumerate(cut):
        measures, start_s = measure_audio(parts[i]), start / audio.sr
        faults = later(measures.faults, start_s)
        if i == loudest:
            hot = find_raw_peak(peaks[i], subtype=audio.subtype, at_s=start_s)
            faults = (*faults, *hot)
        strokes.append(replace(measures, start=start, stop=stop, faults=faults))
    return replace(strokes[0], others=tuple(strokes[1:]))


def measure_audio(audio: Audio) -> Measures:
    """Measure a file that holds one finished hit.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    Measures

    Raises
    ------
    ParameterError
        if it holds no stroke or values that are not numbers; the message says which
    """
    return _measure(audio, _mono_of(audio))


def _mono_of(audio: Audio) -> np.ndarray:
    if not is_finite(audio.samples):
        raise ParameterError("holds values that are not numbers (NaN or infinity)")
    return mix_to_mono(audio.samples)


def _measure(audio: Audio, mono: np.ndarray) -> Measures:
    samples, sr = audio.samples, audio.sr
    stroke = find_stroke(mono, sr=sr)
    return Measures(
        stroke.start,
        stroke.stop,
        describe_hit(samples, mono, sr=sr, stroke=stroke),
        picture_of(mono, sr=sr, start=stroke.start),
        measure_production(samples, sr=sr, onset=stroke.onset),
        faults=find_faults(samples, mono, sr=sr, subtype=audio.subtype),
    )


def picture_of(mono: np.ndarray, *, sr: int, start: int) -> np.ndarray:
    """All blocks of the similarity picture in one row.

    Parameters
    ----------
    mono : np.ndarray, shape (n,)
    sr : int, Hz
    start : int, frames; `LEAD_S` before the onset

    Returns
    -------
    np.ndarray, float32, shape (N_PICTURE,)
    """
    y = picture.prepare_mono(mono, sr=sr, start=start)
    powers, segment = picture.frame_powers(y)
    low, long = picture.low_part(y), picture.long_powers(y)
    blocks = (
        picture.wide_image(powers, segment),
        picture.low_image_of(low),
        picture.fine_spectrum_of(long),
        measure_scalars(y, powers, low, long),
    )
    return np.concatenate(blocks)


def standardize_pictures(pictures: np.ndarray, mean: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Centre and scale pictures; scalars are kept within `SCALAR_CLIP` deviations.

    Parameters
    ----------
    pictures : np.ndarray, shape (n, N_PICTURE)
    mean, scale : np.ndarray, shape (N_PICTURE,)

    Returns
    -------
    np.ndarray, float32, shape (n, N_PICTURE)
    """
    centred = (pictures - mean) / scale
    scalars = centred[:, PICTURE_BLOCKS["scalars"]]
    np.clip(scalars, -SCALAR_CLIP, SCALAR_CLIP, out=scalars)
    return np.asarray(centred, dtype=np.float32)
