"""Pairs that the classifier is fitted on: edited copies, and other strokes with the same edits."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.features.embedding import embed_mono
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.matching.comparison.pair_features import TransferFits
from catalog.matching.views import ChannelViews, compare_views, prepare_views
from catalog.training.edits import EDITS, Edit, applies, apply_edits, draw_pair

SEED = 11
N_SINGLE, N_DOUBLE = 9, 9  # edits drawn for each hit, alone and in pairs
N_HITS = 6  # of each drum that are edited
MAX_STROKE_PAIRS = 90  # of one drum, so that drums of many strokes do not outweigh the rest
DULL_HZ, DULL_ORDER = (150.0, 1_500.0), 4  # a distant microphone, a towel over the drum
DULL_NOISE_DB = (-70.0, -45.0)  # peak of the noise below that of the stroke; it masks the highs
N_DULL_HITS, MAX_DULL_PAIRS = 2, 40  # of one drum

Recorder = Callable[[Audio], Audio]  # simulates how a stroke was recorded


@dataclass(frozen=True, eq=False)
class LabelledPair:
    """One pair of hits with its label."""

    features: np.ndarray  # see `catalog.matching.comparison.pair_features`
    is_copy: bool
    drum: str  # of the first hit
    edits: tuple[str, ...]  # applied to the second hit
    is_dull: bool  # made dull before anything else; such pairs are fitted, but set no limit
    embeddings: tuple[np.ndarray, np.ndarray] | None = None  # of both hits, for copies only


@lru_cache(maxsize=512)
def _load(path: Path) -> Audio:
    return decode_file(path)


def _features(first: ChannelViews, second: ChannelViews) -> np.ndarray:
    return TransferFits(*compare_views([(first, second)])[0]).features()


def dull_recorder(rng: np.random.Generator) -> Recorder:
    """Simulate one dull, noisy microphone, through which few cells are usable.

    `rng` draws the cutoff and the noise; each stroke has noise of its own.
    """
    cutoff_hz = float(np.exp(rng.uniform(*np.log(DULL_HZ))))
    noise = 10.0 ** (rng.uniform(*DULL_NOISE_DB) / 20.0)

    def record(audio: Audio) -> Audio:
        n, sr = len(audio.samples), audio.sr
        hz = np.fft.rfftfreq(n, 1.0 / sr)
        response = 1.0 / np.sqrt(1.0 + (hz / cutoff_hz) ** (2 * DULL_ORDER))
        y = np.fft.irfft(np.fft.rfft(audio.samples, axis=0) * response[:, None], n, axis=0)
        # a quarter, because the level is that of the peaks of the noise
        y += noise * np.abs(y).max() * rng.normal(size=(n, 1)) / 4.0
        return Audio(y.astype(np.float32), sr, "WAV", "FLOAT")

    return record


def embed_audio(audio: Audio) -> np.ndarray:
    """Return the embedding of a hit as a scan stores it; float16, shape (EMBEDDING_DIM,)."""
    mono = mix_to_mono(audio.samples)
    start = find_stroke(mono, sr=audio.sr).start
    return embed_mono(mono, sr=audio.sr, start=start).astype(np.float16)


def edited_copies(
    path: Path, drum: str, *, seed: int, record: Recorder | None = None
) -> Iterator[LabelledPair]:
    """Pair one hit, after `record` if given, with single edits and pairs of edits of itself."""
    rng = np.random.default_rng([SEED, seed])
    audio = record(_load(path)) if record else _load(path)
    try:
        original, embedding = prepare_views(audio), embed_audio(audio)
    except CatalogError:  # the noise masks the stroke
        return
    usable = [e for e in EDITS if e.kind != "speed" and applies(e, audio)]
    drawn: list[tuple[Edit, ...]] = [(usable[i],) for i in rng.permutation(len(usable))[:N_SINGLE]]
    drawn += [draw_pair(audio, rng) for _ in range(N_DOUBLE)]
    for edits in drawn:
        with suppress(CatalogError):  # nothing of the stroke is left
            edited = apply_edits(audio, edits, rng=rng)
            yield LabelledPair(
                features=_features(original, prepare_views(edited)),
                is_copy=True,
                drum=drum,
                edits=tuple(edit.name for edit in edits),
                is_dull=record is not None,
                embeddings=(embedding, embed_audio(edited)),
            )


def other_strokes(
    strokes: Sequence[Path],
    drum: str,
    *,
    known_copies: Set[frozenset[Path]],
    seed: int,
    record: Recorder | None = None,
    max_pairs: int = MAX_STROKE_PAIRS,
) -> Iterator[LabelledPair]:
    """Pair strokes of one drum through one microphone, plain and with the second one edited.

    At most `max_pairs` are drawn, without the `known_copies`; `record` is applied to each first.
    """
    rng = np.random.default_rng([SEED, seed, 1])
    record_one = record or (lambda audio: audio)
    pairs = list(itertools.combinations(strokes, 2))
    for i in rng.permutation(len(pairs))[:max_pairs]:
        if frozenset(pairs[i]) in known_copies:
            continue
        first, second = (record_one(_load(path)) for path in pairs[i])
        try:
            views = prepare_views(first)
        except CatalogError:  # the noise masks the stroke
            continue
        for edits in ((), draw_pair(second, rng)[: int(rng.integers(1, 3))]):
            with suppress(CatalogError):
                edited = prepare_views(apply_edits(second, edits, rng=rng))
                names = tuple(edit.name for edit in edits)
                features = _features(views, edited)
                yield LabelledPair(features, False, drum, names, is_dull=record is not None)


def make_pairs(
    drums: Mapping[str, Sequence[Path]],
    *,
    known_copies: Iterable[tuple[Path, Path]] = (),
    on_drum: Callable[[str], None] = lambda drum: None,
) -> list[LabelledPair]:
    """Make all pairs from drums and their strokes, as recorded and made dull.

    Parameters
    ----------
    drums : mapping of drum to the files of its strokes through one microphone
    known_copies : iterable of (Path, Path), pairs of files that are one recording
    on_drum : callable, called with the name of each drum that is done
    """
    pairs: list[LabelledPair] = []
    known = frozenset(map(frozenset, known_copies))
    for index, (drum, strokes) in enumerate(drums.items()):
        rng = np.random.default_rng([SEED, index, 2])
        for i in rng.permutation(len(strokes))[:N_HITS]:
            pairs += edited_copies(strokes[i], drum, seed=1000 * index + int(i))
        pairs += other_strokes(strokes, drum, known_copies=known, seed=index)
        record = dull_recorder(rng)
        for i in rng.permutation(len(strokes))[:N_DULL_HITS]:
            seed = 1000 * index + 500 + int(i)
            pairs += edited_copies(strokes[i], drum, seed=seed, record=record)
        pairs += other_strokes(
            strokes, drum, known_copies=known, seed=index, record=record,
            max_pairs=MAX_DULL_PAIRS,
        )  # fmt: skip
        on_drum(drum)
    return pairs
