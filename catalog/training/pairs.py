"""Pairs that the judge of copies learns from: edited copies, and other strokes edited alike."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np

from catalog.audio.decode import decode_file
from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.features.embedding import embed_mono
from catalog.features.onset import find_stroke
from catalog.features.waveform import mix_to_mono
from catalog.matching.pair_features import pair_features
from catalog.matching.views import ChannelViews, compare_views, prepare_views
from catalog.training.edits import EDITS, Edit, applies, apply_edits, draw_pair

SEED = 11
N_SINGLE, N_DOUBLE = 9, 9  # edits drawn for each hit, alone and in pairs
MAX_STROKE_PAIRS = 90  # of one drum, so that drums of many strokes do not outweigh the rest
DULL_HZ, DULL_ORDER = (150.0, 1_500.0), 4  # a distant microphone, a towel over the drum
DULL_NOISE_DB = (-70.0, -45.0)  # of the room, under the peak; it hides the highs that are left
N_DULL_HITS, MAX_DULL_PAIRS = 2, 40  # of one drum


@dataclass
class PairTable:
    """One row a pair; lists of equal length.

    Attributes
    ----------
    evidence : list of np.ndarray, see `catalog.matching.transfer.FEATURE_NAMES`
    is_copy : list of bool
    drum : list of str, of the first side
    edits : list of str, joined by " + "; "" for none
    names : list of (str, str), of the files
    embeddings : list of (np.ndarray, np.ndarray), of both sides, for copies only
    is_dull : list of bool, made dull before anything else; such pairs teach, but set no threshold
    """

    evidence: list[np.ndarray] = field(default_factory=list)
    is_copy: list[bool] = field(default_factory=list)
    drum: list[str] = field(default_factory=list)
    edits: list[str] = field(default_factory=list)
    names: list[tuple[str, str]] = field(default_factory=list)
    embeddings: list[tuple[np.ndarray, np.ndarray] | None] = field(default_factory=list)
    is_dull: list[bool] = field(default_factory=list)

    def add(
        self, first: ChannelViews, second: ChannelViews, *, is_copy: bool, **told: object
    ) -> None:
        """Judge one pair and keep it."""
        (met,) = compare_views([(first, second)])
        self.evidence.append(pair_features(*met))
        self.is_copy.append(is_copy)
        for name in ("drum", "edits", "names", "embeddings"):
            getattr(self, name).append(told.get(name))
        self.is_dull.append(bool(told.get("is_dull")))


Setting = Callable[[Audio], Audio]  # how a stroke was recorded


@lru_cache(maxsize=512)
def _load(path: Path) -> Audio:
    return decode_file(path)


def _as_it_is(audio: Audio) -> Audio:
    return audio


def dull_setting(rng: np.random.Generator) -> Setting:
    """Make strokes sound as through one dull, noisy microphone; few cells are left to judge.

    Parameters
    ----------
    rng : np.random.Generator
        draws the edge and the noise; each stroke has noise of its own

    Returns
    -------
    callable, takes and gives Audio; what it gives is float
    """
    hz = float(np.exp(rng.uniform(*np.log(DULL_HZ))))
    noise = 10.0 ** (rng.uniform(*DULL_NOISE_DB) / 20.0)

    def record(audio: Audio) -> Audio:
        n, sr = len(audio.samples), audio.sr
        curve = 1.0 / np.sqrt(1.0 + (np.fft.rfftfreq(n, 1.0 / sr) / hz) ** (2 * DULL_ORDER))
        y = np.fft.irfft(np.fft.rfft(audio.samples, axis=0) * curve[:, None], n, axis=0)
        y += noise * np.abs(y).max() * rng.normal(size=(n, 1)) / 4.0  # its peaks, not its mean
        return Audio(y.astype(np.float32), sr, "WAV", "FLOAT")

    return record


def embed_audio(audio: Audio) -> np.ndarray:
    """Embedding of a hit as a scan would keep it, float16.

    Parameters
    ----------
    audio : Audio

    Returns
    -------
    np.ndarray, float16, shape (N_EMBEDDING,)
    """
    mono = mix_to_mono(audio.samples)
    start = find_stroke(mono, sr=audio.sr).start
    return embed_mono(mono, sr=audio.sr, start=start).astype(np.float16)


def add_copies(
    table: PairTable, path: Path, drum: str, *, seed: int, setting: Setting = _as_it_is
) -> None:
    """Add edits of one hit.

    Parameters
    ----------
    table : PairTable
    path : Path
    drum : str
    seed : int
    setting : callable, how the stroke was recorded
    """
    rng = np.random.default_rng([SEED, seed])
    audio = setting(_load(path))
    try:
        original, embedding = prepare_views(audio), embed_audio(audio)
    except CatalogError:  # it sank in the noise
        return
    usable = [e for e in EDITS if e.kind != "speed" and applies(e, audio)]
    drawn: list[tuple[Edit, ...]] = [(usable[i],) for i in rng.permutation(len(usable))[:N_SINGLE]]
    drawn += [draw_pair(audio, rng) for _ in range(N_DOUBLE)]
    for edits in drawn:
        try:
            edited = apply_edits(audio, edits, rng=rng)
            table.add(
                original,
                prepare_views(edited),
                is_copy=True,
                drum=drum,
                edits=" + ".join(e.name for e in edits),
                names=(path.name, path.name),
                embeddings=(embedding, embed_audio(edited)),
                is_dull=setting is not _as_it_is,
            )
        except CatalogError:  # nothing of the stroke is left
            continue


def add_strokes(
    table: PairTable,
    strokes: Sequence[Path],
    drum: str,
    *,
    is_one: Callable[[Path, Path], bool],
    seed: int,
    setting: Setting = _as_it_is,
    max_pairs: int = MAX_STROKE_PAIRS,
) -> None:
    """Add pairs of strokes of one drum through one microphone, plain and with one side edited.

    Parameters
    ----------
    table : PairTable
    strokes : sequence of Path
    drum : str
    is_one : callable, tells pairs that are known to be one recording and are left out
    seed : int
    setting : callable, how the strokes were recorded
    max_pairs : int, drawn from all
    """
    rng = np.random.default_rng([SEED, seed, 1])
    pairs = list(itertools.combinations(strokes, 2))
    for i in rng.permutation(len(pairs))[:max_pairs]:
        a, b = pairs[i]
        if is_one(a, b):
            continue
        first, second = setting(_load(a)), setting(_load(b))
        try:
            ready = prepare_views(first)
        except CatalogError:  # it sank in the noise
            continue
        told = {
            "drum": drum,
            "names": (f"{a.parent.name}/{a.name}", f"{b.parent.name}/{b.name}"),
            "is_dull": setting is not _as_it_is,
        }
        for edits in ((), draw_pair(second, rng)[: int(rng.integers(1, 3))]):
            try:
                other = prepare_views(apply_edits(second, edits, rng=rng))
            except CatalogError:
                continue
            names = " + ".join(e.name for e in edits)
            table.add(ready, other, is_copy=False, edits=names, **told)


def make_pairs(
    drums: Mapping[str, Sequence[Path]],
    *,
    is_one: Callable[[Path, Path], bool],
    max_hits: int = 6,
    on_drum: Callable[[str], None] = lambda drum: None,
) -> PairTable:
    """Make the table from drums and their strokes.

    Parameters
    ----------
    drums : mapping of drum to the files of its strokes through one microphone
    is_one : callable, tells pairs of files that are known to be one recording
    max_hits : int, strokes of each drum that are edited
    on_drum : callable, told each drum that is done

    Returns
    -------
    PairTable
    """
    table = PairTable()
    for at, (drum, strokes) in enumerate(drums.items()):
        rng = np.random.default_rng([SEED, at, 2])
        for i in rng.permutation(len(strokes))[:max_hits]:
            add_copies(table, strokes[i], drum, seed=1000 * at + int(i))
        add_strokes(table, strokes, drum, is_one=is_one, seed=at)
        dull = dull_setting(rng)
        for i in rng.permutation(len(strokes))[:N_DULL_HITS]:
            add_copies(table, strokes[i], drum, seed=1000 * at + 500 + int(i), setting=dull)
        add_strokes(
            table, strokes, drum, is_one=is_one, seed=at, setting=dull, max_pairs=MAX_DULL_PAIRS
        )
        on_drum(drum)
    return table
