"""What is measured from the samples of a hit, and the outline of a long take."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from catalog.features.faults import Fault
from catalog.models import Event

# Calls a function with each item, like `map`, perhaps in other processes; results come in order.
Run = Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]]


class Outline(NamedTuple):
    """The length of a long take, and its lowest and highest sample over all channels in sections.

    `levels` is float32, shape (n_sections, 2). All sections but the last have `section_frames`.
    """

    n_frames: int
    section_frames: int
    levels: np.ndarray

    def part(self, start: int, stop: int) -> np.ndarray:
        """Return the levels of the sections that hold the frames `start` to `stop` (exclusive)."""
        return self.levels[start // self.section_frames : -(-stop // self.section_frames)]


@dataclass(frozen=True, eq=False)
class Measures:
    """Everything that is measured from the samples of one hit.

    Attributes
    ----------
    start, stop : int, frames in the file, `stop` exclusive
    descriptors : dict of str to float, see `catalog.features.descriptors.table`
    embedding : np.ndarray, float32, shape (EMBEDDING_DIM,), see `catalog.features.embedding`
    production : np.ndarray, float32, see `catalog.features.production`
    others : tuple of Measures, the other strokes of a take, and other microphones of each
    channels, microphone, delay_samples, spread_samples, polarity : see `catalog.models.Microphone`
        of one of several microphones of a file; otherwise () and "" and None
    faults : tuple of Fault, the heaviest first; times count from the start of the file
    outline : Outline, optional, the waveform outline of a whole long take
    event, tempo_bpm, n_strokes : see `catalog.models.Hit`
    """

    start: int
    stop: int
    descriptors: dict[str, float]
    embedding: np.ndarray
    production: np.ndarray
    others: tuple[Measures, ...] = ()
    faults: tuple[Fault, ...] = ()
    outline: Outline | None = None
    channels: tuple[int, ...] = ()
    microphone: str = ""
    delay_samples: float | None = None
    spread_samples: float | None = None
    polarity: int | None = None
    event: Event = Event.STROKE
    tempo_bpm: float | None = None
    n_strokes: int | None = None
