"""Explanations of how each hit of a kit fits the others, in decibels, seconds and hertz."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from catalog.features.production import (
    BAND_EDGES_HZ,
    BAND_NAMES,
    PRODUCTION_DESCRIPTORS,
    PRODUCTION_NAMES,
)
from catalog.kit.fill.coherence import Traits
from catalog.kit.slots import HAT_SLOTS, TOMS
from catalog.models import UNSURE_CONFIDENCE, Hit
from catalog.wording import percent, plain_slot

ALIKE = 0.5  # deviations within which a difference is inaudible
N_LINES = 3


def _range_words(low_hz: float, high_hz: float) -> str:
    """Return a range of frequencies in words: "320 to 640 Hz", "5 to 8 kHz"."""
    if high_hz < 2000.0:
        return f"{low_hz:.0f} to {high_hz:.0f} Hz"
    return f"{low_hz / 1000:.3g} to {high_hz / 1000:.3g} kHz"


# Label of each trace, with the words for more and less of it. Where the hits agree on a side, its
# first trace names the whole side.
TRACE_WORDS: Mapping[str, tuple[str, str, str]] = {
    "late_decay_s": ("tail", "longer", "shorter"),
    "after100_db": ("sound 0.1 s after the peak", "stronger", "weaker"),
    "after250_db": ("sound 0.25 s after the peak", "stronger", "weaker"),
    "after500_db": ("sound 0.5 s after the peak", "stronger", "weaker"),
    "late_db": ("late sound", "stronger", "weaker"),
    "crest_db": ("crest", "spikier", "denser"),
    "floor_lowest_db": ("noise floor", "higher", "lower"),
    "floor_before_db": ("noise before the stroke", "higher", "lower"),
    "offset_db": ("offset", "higher", "lower"),
    "end_db": ("end of the file", "louder", "quieter"),
    "end_hz": ("pitch of the last noise", "higher", "lower"),
    "fall10_db": ("fall in the last 10 ms", "flatter", "steeper"),
    "fall50_db": ("fall in the last 50 ms", "flatter", "steeper"),
    "fall100_db": ("fall in the last 100 ms", "flatter", "steeper"),
    "edge55_hz": ("upper end", "higher", "lower"),
    "edge40_hz": ("upper end of the loud part", "higher", "lower"),
    "edge70_hz": ("upper end down to the noise", "higher", "lower"),
    "slope_db": ("slope at the top", "flatter", "steeper"),
    "share_16k_db": ("share above 16 kHz", "stronger", "weaker"),
    "share_19k_db": ("share above 19 kHz", "stronger", "weaker"),
    "share_35_db": ("share under 35 Hz", "stronger", "weaker"),
    "width": ("stereo width", "wider", "narrower"),
    "width_above": ("stereo width of the top", "wider", "narrower"),
    "width_below": ("stereo width of the body", "wider", "narrower"),
    "correlation": ("likeness of the channels", "greater", "smaller"),
    "balance_db": ("place between the channels", "further left", "further right"),
    "level_db": ("recorded level", "hotter", "quieter"),
    "peak_db": ("peak", "hotter", "quieter"),
    "duration_s": ("file", "longer", "shorter"),
    "full_scale_db": ("samples at full scale", "more", "fewer"),
    **{
        name: (f"tone from {_range_words(low, high)}", "stronger", "weaker")
        for name, low, high in zip(BAND_NAMES, BAND_EDGES_HZ[:-1], BAND_EDGES_HZ[1:], strict=True)
    },
}
_SIDES: dict[str, list[str]] = {trace.aspect: [] for trace in PRODUCTION_DESCRIPTORS}
for _name in TRACE_WORDS:
    _SIDES[PRODUCTION_DESCRIPTORS[PRODUCTION_NAMES.index(_name)].aspect].append(_name)
INTERVALS = (
    "the same note as", "a semitone", "a whole tone", "a minor third", "a major third", "a fourth",
    "a tritone", "a fifth", "a minor sixth", "a major sixth", "a minor seventh",
    "a major seventh", "an octave",
)  # fmt: skip


def explain_kit(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int]
) -> dict[str, tuple[str, ...]]:
    """Explain the choice of each slot in two or three lines."""
    lines = {
        name: _all_slot_lines(hits, traits, rows, name) + _trace_lines(traits, rows, name)
        for name in rows
    }
    return {name: tuple(own[:N_LINES]) for name, own in lines.items()}


def explain_sessions(hits: Mapping[int, Hit], ids: tuple[int, ...]) -> str:
    """Say from how many sessions the hits come, which has no influence on the choice."""
    sessions = {hits[i].session for i in ids}
    if "" in sessions:
        return "not every hit has a known session"
    return "all from one session" if len(sessions) == 1 else f"from {len(sessions)} sessions"


def _all_slot_lines(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int], name: str
) -> list[str]:
    known, doubts = slot_lines(hits, traits, rows, name=name)
    return doubts + known


def slot_lines(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int], *, name: str
) -> tuple[list[str], list[str]]:
    """Return the interval of a tom or the pair of hats, and doubts about the role of a hit."""
    lines, doubts = [], []
    hit = hits[rows[name]]
    if hit.role_confidence < UNSURE_CONFIDENCE:
        estimate = f"{plain_slot(hit.role)}, {percent(hit.role_confidence)}"
        doubts.append(f"its role is an estimate ({estimate}): listen")
    if name in TOMS:
        lines += _interval(traits, rows, name)
    if name in HAT_SLOTS:
        mates = [n for n in rows if n in HAT_SLOTS and n != name]
        own = int(traits.groups["instrument"][rows[name]])
        session = int(traits.groups["session"][rows[name]])
        same = [
            n
            for n in mates
            if min(own, session) >= 0 and int(traits.groups["instrument"][rows[n]]) == own
        ]
        if same:
            lines.append(f"the same cymbals as {' and '.join(plain_slot(n) for n in same)}")
    return lines, doubts


def _interval(traits: Traits, rows: Mapping[str, int], name: str) -> list[str]:
    """Interval to the next higher tom; none for the highest, of which the lower ones speak."""
    filled = [tom for tom in TOMS if tom in rows]
    at = filled.index(name)
    if at + 1 == len(filled):
        return []
    other = filled[at + 1]
    steps = float(traits.pitch[rows[other]] - traits.pitch[rows[name]])
    if not np.isfinite(steps):
        return ["its pitch is unknown"] if np.isnan(traits.pitch[rows[name]]) else []
    return [f"{interval_words(steps)} the {plain_slot(other)}"]


def interval_words(semitones: float) -> str:
    """Name the interval to a note that is `semitones` higher, such as "a fourth under"."""
    near = round(abs(semitones))
    if near == 0:
        return "has the same note as"
    size = INTERVALS[near] if near < len(INTERVALS) else f"{near} semitones"
    return f"{size} {'under' if semitones > 0 else 'over'}"


def _trace_lines(traits: Traits, rows: Mapping[str, int], name: str) -> list[str]:
    """Return the side with the greatest cost, then where the hit agrees with the others."""
    row = rows[name]
    others = np.array([other for slot, other in rows.items() if slot != name], np.int64)
    if not len(others):
        return []
    cost = traits.rarity.cost_by_trace(row, others)
    off = traits.z[row] - traits.z[others].mean(axis=0)
    mono = not traits.production[list(rows.values()), _column("width")].any()
    known = {  # rows of older scans have fewer traces
        side: [name for name in names if _column(name) < len(cost)]
        for side, names in _SIDES.items()
    }
    sides = [side for side in known if known[side] and not (mono and side == "width")]
    dearest = {side: max(known[side], key=lambda n: cost[_column(n)]) for side in sides}
    total = {side: sum(float(cost[_column(n)]) for n in known[side]) for side in sides}
    apart = [side for side in sides if abs(off[_column(dearest[side])]) > ALIKE]
    apart.sort(key=lambda side: -total[side])
    alike = [s for s in sides if s not in apart and abs(off[_column(_SIDES[s][0])]) <= ALIKE]
    alike.sort(key=lambda side: total[side])
    trace_of = {side: dearest[side] for side in apart} | {side: _SIDES[side][0] for side in alike}
    lines = {
        side: _difference(traits, row, trace, deviations=float(off[_column(trace)]))
        for side, trace in trace_of.items()
    }
    return [lines[side] for side in (*apart[:1], *alike[:1], *apart[1:], *alike[1:])]


def _column(trace: str) -> int:
    return PRODUCTION_NAMES.index(trace)


def _difference(traits: Traits, row: int, trace: str, *, deviations: float) -> str:
    """Difference from what the others predict for this role, in the unit of the trace."""
    label, more, less = TRACE_WORDS[trace]
    column = _column(trace)
    value = float(traits.production[row, column])
    step = deviations * float(traits.deviation[row, column])
    size = _size(value, step, PRODUCTION_DESCRIPTORS[column].unit)
    if abs(deviations) <= ALIKE:
        return f"{label} within {size} of the others"
    return f"{label} {size} {more if deviations > 0 else less} than the others"


def _size(value: float, step: float, unit: str) -> str:
    """Format a difference in the unit of its trace; Hz and s are base-2 logarithms."""
    if unit == "s":
        return f"{max(0.01, abs(2**value - 2 ** (value - step))):.2f} s"
    if unit == "Hz":
        return f"{max(0.1, abs(2**value - 2 ** (value - step)) / 1000):.1f} kHz"
    if unit == "":
        return f"{max(0.01, abs(step)):.2f}"
    return f"{max(1.0, abs(step)):.0f} dB"
