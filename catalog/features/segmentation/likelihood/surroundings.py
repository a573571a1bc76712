"""Describe what surrounds a rise in a take: the levels of narrow bands shortly before and after it,
and the levels and the flux for more than a second on both sides.

All numbers are dB relative to the take or to the rise itself, so a change of gain changes nothing.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from catalog.features.segmentation.flux import Spectra, frames_of_blocks
from catalog.features.segmentation.rises import Rise
from catalog.features.segmentation.steps import AFTER, BEFORE, steps_db

FINE_FRAMES = (-8, -6, -4, -3, -2, -1, 0, 1, 2, 3, 4, 5, 6, 8, 11, 15, 20)  # spectra, 3 ms apart
REFERENCE_FRAMES = (-11, -10, -9, -8, -7, -6)  # before the rise; their mean is subtracted
AFTER_FRAMES = (1, 2, 3, 4, 5, 6, 8, 10)  # of the stroke's own spectrum
STEP_FRAMES = (-2, 3)  # around a rise, where the highest step of each band is taken
COARSE_FRAMES = 4  # spectra per step of the long view, 12 ms
COARSE_EDGES = (  # steps before and after the rise between which the highest level is taken
    -110, -80, -56, -40, -28, -20, -14, -9, -6, -3, -1, 2, 5, 8, 12, 17, 24, 34, 50, 75, 110,
)  # fmt: skip
GROUPS = (0, 2, 6, 12, 19)  # bands of each group of the long view; the last one ends them
RANGE_DB = 75.0  # under the loudest spectrum of the take; softer is floor
FLOOR_PERCENT = 10.0
FLOOR_MARGIN_DB = 2.0  # over that percentile of a band; noise varies by more than that
RISE_COLUMN, FLUX_COLUMN, STEP_COLUMNS = -5, -1, slice(-25, -6)
RISEN = slice(7, 12)  # of `FINE_FRAMES`, 3 to 15 ms after the rise
MOST_RAISED_DB, SHAPE_RANGE_DB = 40.0, 40.0  # limits of what is compared between strokes


def describe_rises(rises: Sequence[Rise], spectra: Spectra, *, block: int) -> np.ndarray:
    """Return the numbers that describe rises and their surroundings.

    Parameters
    ----------
    rises : sequence of Rise, at least one
    spectra : Spectra, of the take
    block : int, frames per block of `Rise.at`

    Returns
    -------
    np.ndarray, float32, shape (n, n_numbers)
    """
    at = frames_of_blocks(np.array([rise.at for rise in rises]), spectra, block=block)
    levels, flux = spectra.levels, spectra.flux
    top = float(levels.max())
    floors = np.percentile(levels, FLOOR_PERCENT, axis=1, keepdims=True) + FLOOR_MARGIN_DB
    floors = np.maximum(floors, top - RANGE_DB)
    clear = np.maximum(levels, floors)
    reference = _gather(clear, at, REFERENCE_FRAMES).mean(axis=2)
    fine = _gather(clear, at, FINE_FRAMES) - reference[:, :, None]
    after = _gather(clear, at, AFTER_FRAMES).mean(axis=2)
    loudest = after.max(axis=1, keepdims=True)
    shape = np.maximum(after - loudest, -60.0)
    over_floor = after - floors[:, 0]
    coarse, coarse_flux = _long_view(clear, flux, at)
    near_flux = _gather(flux[None], at, FINE_FRAMES)[:, 0]
    scalars = np.stack(
        [
            loudest[:, 0] - top,
            over_floor.max(axis=1),
            over_floor.mean(axis=1),
            fine[:, :, 6:13].max(axis=(1, 2)),
            (fine[:, :, 6:13].max(axis=2) > 6.0).mean(axis=1) * 20.0,
            near_flux.max(axis=1),
            reference.max(axis=1) - loudest[:, 0],
            np.full(len(at), top - floors.mean()),
        ],
        axis=1,
    )
    parts = [
        fine.reshape(len(at), -1),
        shape,
        over_floor,
        (coarse - loudest[:, :, None]).reshape(len(at), -1),
        coarse_flux,
        near_flux,
        scalars,
        _steps_near(clear, at),
        np.array([[r.step] for r in rises]),
        np.array([[r.rise_db, r.growth_db, r.over_db, r.swell_db, r.flux_db] for r in rises]),
    ]
    return np.concatenate(parts, axis=1).astype(np.float32)


def _steps_near(clear: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Return the highest step of each band near each rise, shape (n, n_bands), in dB."""
    first, last = BEFORE[0] + STEP_FRAMES[0], AFTER[1] + STEP_FRAMES[1]
    around = _gather(clear, at, tuple(range(first, last + 1)))
    inside = slice(-BEFORE[0], around.shape[2] - AFTER[1])
    return np.asarray(steps_db(around)[:, :, inside].max(axis=2))


def own_spectra(inputs: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the spectrum of each rise and how far its bands rise, from `describe_rises`.

    Both have the shape (n, n_bands). The spectrum is in dB under its highest band.
    """
    n_bands, n_frames = GROUPS[-1], len(FINE_FRAMES)
    fine = inputs[:, : n_bands * n_frames].reshape(len(inputs), n_bands, n_frames)
    shapes = inputs[:, n_bands * n_frames :][:, :n_bands]
    raised = np.clip(fine[:, :, RISEN].mean(axis=2), 0.0, MOST_RAISED_DB)
    return np.maximum(shapes, -SHAPE_RANGE_DB), raised


def own_rises(inputs: np.ndarray) -> np.ndarray:
    """Return the rise of one band, the flux and the median step, in dB, shape (n, 3)."""
    step_db = np.median(inputs[:, STEP_COLUMNS], axis=1)
    return np.stack([inputs[:, RISE_COLUMN], inputs[:, FLUX_COLUMN], step_db], axis=1)


def _gather(rows: np.ndarray, at: np.ndarray, offsets: tuple[int, ...]) -> np.ndarray:
    """Return rows at offsets from each rise, shape (n, n_rows, n_offsets)."""
    index = np.clip(at[:, None] + np.array(offsets), 0, rows.shape[1] - 1)
    return np.ascontiguousarray(rows[:, index].transpose(1, 0, 2))


def _long_view(
    clear: np.ndarray, flux: np.ndarray, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the highest levels of groups of bands, and of the flux, between `COARSE_EDGES`."""
    groups = np.stack([clear[a:b].max(axis=0) for a, b in itertools.pairwise(GROUPS)])
    rows = np.concatenate([groups, flux[None]])
    n = -(-rows.shape[1] // COARSE_FRAMES)
    low = rows.min(axis=1, keepdims=True)
    margin = max(COARSE_EDGES) + 1
    padded = np.concatenate(
        [rows, np.repeat(low, n * COARSE_FRAMES - rows.shape[1], axis=1)], axis=1
    )
    steps = padded.reshape(len(rows), n, COARSE_FRAMES).max(axis=2)
    edge = np.repeat(low, margin, axis=1)
    steps = np.concatenate([edge, steps, edge], axis=1)
    center = at // COARSE_FRAMES + margin
    parts = []
    for first, last in itertools.pairwise(COARSE_EDGES):
        index = center[:, None] + np.arange(first, last)
        parts.append(steps[:, index].max(axis=2))
    long = np.stack(parts, axis=2).transpose(1, 0, 2)
    return long[:, :-1], long[:, -1]
