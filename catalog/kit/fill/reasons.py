"""Reasons for each hit of a kit in a musician's words: what speaks for it, and what was traded."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from catalog.features.production import BAND_NAMES, PRODUCTION_NAMES
from catalog.kit.fill.coherence import Traits
from catalog.kit.fill.explain import slot_lines
from catalog.kit.fill.together import FAMILIES
from catalog.kit.slots import TOMS
from catalog.models import Hit
from catalog.wording import plain_slot

MAX_REASONS = 3
LIKE = 0.5  # of the limit of a comparison: nearer hits are alike, farther than the limit apart
# Noise beside the peak; below it a kit sounds silent: common practice, no source.
AUDIBLE_NOISE_DB = -66.0
STEREO = 0.1  # width; what is narrower counts as mono
BRIGHT_BANDS = tuple(name for name in BAND_NAMES if int(name[4:-3]) >= 5000)


@dataclass(frozen=True)
class Comparison:
    """A number of a hit beside the median of the other hits of its kit, and what it means.

    Numbers are differences; `limit` is one that is clearly audible: common practice, no source.
    """

    name: str
    limit: float
    like: str  # in what a hit fits where they are alike
    more: str  # what is traded where the hit has clearly more
    less: str  # what is traded where it has clearly less; "" for nothing
    measure: Callable[[Traits, Sequence[int]], np.ndarray]  # of rows, float64, shape (n,)


def _column(traits: Traits, rows: Sequence[int], name: str) -> np.ndarray:
    column = PRODUCTION_NAMES.index(name)
    if column >= traits.production.shape[1]:
        return np.zeros(len(rows))
    return np.asarray(traits.production[list(rows), column], np.float64)


def _tail(traits: Traits, rows: Sequence[int]) -> np.ndarray:
    column = PRODUCTION_NAMES.index("late_decay_s")
    if column >= traits.z.shape[1]:
        return np.zeros(len(rows))
    return np.asarray(traits.z[list(rows), column], np.float64)


def _brightness(traits: Traits, rows: Sequence[int]) -> np.ndarray:
    columns = [PRODUCTION_NAMES.index(name) for name in BRIGHT_BANDS]
    columns = [column for column in columns if column < traits.z.shape[1]]
    if not columns:
        return np.zeros(len(rows))
    return np.asarray(traits.z[np.ix_(list(rows), columns)].mean(axis=1), np.float64)


def _noise(traits: Traits, rows: Sequence[int]) -> np.ndarray:
    return np.asarray(np.maximum(traits.noise[list(rows)], AUDIBLE_NOISE_DB), np.float64)


def _width(traits: Traits, rows: Sequence[int]) -> np.ndarray:
    return _column(traits, rows, "width")


# "For this kit": beside the other hits, each measured against hits of its own role.
COMPARISONS = (
    Comparison(
        "tail", 1.2, "decay", "rings long for this kit", "rings short for this kit", _tail,
    ),
    Comparison(
        "brightness", 1.2, "brightness", "bright for this kit", "dark for this kit", _brightness,
    ),
    Comparison(
        "noise", 6.0, "background noise", "noisier than the others", "", _noise,
    ),
    Comparison(
        "width", 0.25, "stereo image",
        "wider in stereo than the others", "narrower in stereo than the others", _width,
    ),
)  # fmt: skip


def compare_hit(traits: Traits, row: int, others: Sequence[int]) -> dict[str, float]:
    """Return by how many limits a hit differs from the median of others, for each comparison."""
    found = {}
    for comparison in COMPARISONS:
        values = comparison.measure(traits, [row, *others])
        found[comparison.name] = float(values[0] - np.median(values[1:])) / comparison.limit
    return found


def give_reasons(
    hits: tuple[Hit, ...],
    traits: Traits,
    rows: Mapping[str, int],
    *,
    locked: Collection[str] = (),
) -> dict[str, tuple[str, ...]]:
    """Return at most three reasons for each slot; a trade begins with "but" and comes last.

    Parameters
    ----------
    rows : mapping of slot to row of `hits`
    locked : collection of str, slots that the user chose
    """
    return {name: _reasons(hits, traits, rows, name, name in locked) for name in rows}


def _reasons(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int], name: str, is_locked: bool
) -> tuple[str, ...]:
    row, others = rows[name], [other for slot, other in rows.items() if slot != name]
    known, doubts = slot_lines(hits, traits, rows, name=name)
    known = known[:2] + _session_line(hits, rows, name)
    trades = list(doubts)
    if others:
        differences = _comparable(compare_hit(traits, row, others), traits, [row, *others])
        trades += _trades(differences)
        known += _likenesses(differences)
    trades = [f"but {line}" for line in trades[:1]]
    if not known:
        known = ["your choice" if is_locked else _best_of(hits, hits[row].role)]
    return (*known[: MAX_REASONS - len(trades)], *trades)


def _best_of(hits: Sequence[Hit], role: str) -> str:
    n, words = sum(hit.role == role for hit in hits), plain_slot(role)
    return f"the best fit of {n} {words} hits" if n > 1 else f"the only {words} hit"


def _comparable(
    differences: Mapping[str, float], traits: Traits, rows: Sequence[int]
) -> dict[str, float]:
    """Return the differences without width where all is mono, and noise where there is none."""
    kept = dict(differences)
    width = _width(traits, rows)
    if max(np.median(width[1:]), width[0]) < STEREO:
        del kept["width"]
    if _noise(traits, rows[:1])[0] <= AUDIBLE_NOISE_DB:
        del kept["noise"]
    return kept


def _trades(differences: Mapping[str, float]) -> list[str]:
    """Return what is clearly unlike the others, the largest difference first."""
    by_name = {c.name: c for c in COMPARISONS}
    order = sorted(differences, key=lambda name: -abs(differences[name]))
    words = (
        by_name[name].more if differences[name] > 0 else by_name[name].less
        for name in order
        if abs(differences[name]) >= 1.0
    )  # fmt: skip
    return [text for text in words if text]


def _likenesses(differences: Mapping[str, float]) -> list[str]:
    """Return in what a hit is like the others, the smallest difference first, in one sentence."""
    by_name = {c.name: c for c in COMPARISONS}
    order = sorted(differences, key=lambda name: abs(differences[name]))
    alike = [by_name[name].like for name in order if abs(differences[name]) <= LIKE]
    if not alike:
        return []
    return [f"fits this kit in {' and '.join(alike[:2])}"]


def _session_line(hits: tuple[Hit, ...], rows: Mapping[str, int], name: str) -> list[str]:
    """Return which slots come from the session of this one, if it is known."""
    session = hits[rows[name]].session
    mates = [slot for slot in rows if slot != name and hits[rows[slot]].session == session]
    if not session or not mates:
        return []
    if len(mates) == len(rows) - 1 and len(mates) > 1:
        return ["from the session of all the others"]
    family = next((f for f in FAMILIES if name in f), ())
    others = [slot for slot in mates if slot not in family]
    if not others:
        return ["from one set with the other toms"] if name in TOMS else []
    others.sort(key=lambda slot: slot not in ("snare", "kick"))
    return [f"from the same session as the {' and the '.join(map(plain_slot, others[:2]))}"]
