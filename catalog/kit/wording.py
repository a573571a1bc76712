"""How each hit of a kit fits the others, in the trade's units."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from catalog.kit.coherence import Traits
from catalog.kit.slots import HAT_SLOTS, TOMS
from catalog.library.records import Hit
from catalog.sound.production import PRODUCTION_NAMES, TRACES

ALIKE = 0.5  # deviations: within it nobody hears a difference
N_LINES = 3
UNSURE = 0.6  # role confidence under which the person should look
TELLING = {
    "room": ("late_decay_s", "tail", "longer", "shorter"),
    "noise": ("floor_lowest_db", "noise floor", "higher", "lower"),
    "bandwidth": ("edge55_hz", "upper end", "higher", "lower"),
    "width": ("width", "stereo width", "wider", "narrower"),
    "level": ("level_db", "recorded level", "hotter", "quieter"),
}
INTERVALS = (
    "the same note as", "a semitone", "a whole tone", "a minor third", "a major third", "a fourth",
    "a tritone", "a fifth", "a minor sixth", "a major sixth", "a minor seventh",
    "a major seventh", "an octave",
)  # fmt: skip


def explain_kit(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int]
) -> dict[str, tuple[str, ...]]:
    """Two or three lines for each slot of a kit.

    Parameters
    ----------
    hits : tuple of Hit
    traits : Traits
    rows : mapping of slot name to row

    Returns
    -------
    dict of slot name to tuple of str
    """
    return {
        name: (*_special(hits, traits, rows, name), *_compare(traits, rows, name))[:N_LINES]
        for name in rows
    }


def explain_sessions(hits: Mapping[int, Hit], ids: tuple[int, ...]) -> str:
    """Say from how many sessions the hits come; told, never used in the choice.

    Parameters
    ----------
    hits : mapping of id to Hit
    ids : tuple of int

    Returns
    -------
    str
    """
    sessions = {hits[i].session for i in ids}
    if "" in sessions:
        return "not every hit tells its session"
    return "all from one session" if len(sessions) == 1 else f"from {len(sessions)} sessions"


def _special(
    hits: tuple[Hit, ...], traits: Traits, rows: Mapping[str, int], name: str
) -> list[str]:
    """Lines on what only some slots have: a doubtful role, the run of toms, the pair of hats."""
    lines = []
    hit = hits[rows[name]]
    if hit.role_confidence < UNSURE:
        lines.append(f"{hit.role.replace('_', ' ')} is a guess ({hit.role_confidence:.0%}): listen")
    if name in TOMS:
        lines += _interval(traits, rows, name)
    if name in HAT_SLOTS:
        mates = [n for n in rows if n in HAT_SLOTS and n != name]
        own = int(traits.pair[rows[name]])
        same = [n for n in mates if own >= 0 and int(traits.pair[rows[n]]) == own]
        if same:
            lines.append(f"the same cymbals as {' and '.join(plain_slot(n) for n in same)}")
    return lines


def plain_slot(slot: str) -> str:
    """A slot in words: "low tom" for "tom_low"."""
    words = slot.split("_")
    return " ".join(reversed(words)) if words[0] in ("tom", "hat") else " ".join(words)


def _interval(traits: Traits, rows: Mapping[str, int], name: str) -> list[str]:
    """Distance to the next tom above, or to the one below for the highest."""
    filled = [tom for tom in TOMS if tom in rows]
    place = filled.index(name)
    if len(filled) < 2:
        return []
    other = filled[place + 1] if place + 1 < len(filled) else filled[place - 1]
    steps = float(traits.body[rows[other]] - traits.body[rows[name]])
    if not np.isfinite(steps):
        return ["its note cannot be told" if np.isnan(traits.body[rows[name]]) else ""][:1]
    return [f"{plain_slot(name)} {interval_words(steps)} {plain_slot(other)}"]


def interval_words(semitones: float) -> str:
    """How one note lies to another that is `semitones` above it, such as "a fourth under".

    Parameters
    ----------
    semitones : float

    Returns
    -------
    str
    """
    near = round(abs(semitones))
    if near == 0:
        return "has the same note as"
    size = INTERVALS[near] if near < len(INTERVALS) else f"{near} semitones"
    return f"{size} {'under' if semitones > 0 else 'over'}"


def _compare(traits: Traits, rows: Mapping[str, int], name: str) -> list[str]:
    """Where the hit differs most from what the others let expect, then where it agrees."""
    others = [row for slot, row in rows.items() if slot != name]
    if not others:
        return []
    off = traits.z[rows[name]] - traits.z[others].mean(axis=0)
    size = {side: abs(float(off[_column(side)])) for side in TELLING}
    apart = sorted((side for side in TELLING if size[side] > ALIKE), key=lambda s: -size[s])
    mono = not traits.heard[list(rows.values()), _column("width")].any()
    alike = [s for s in TELLING if s not in apart and not (mono and s == "width")]
    lines = {
        side: _difference(traits, rows[name], side, float(off[_column(side)])) for side in TELLING
    }
    return [lines[side] for side in (*apart[:1], *alike[:1], *apart[1:], *alike[1:])]


def _column(side: str) -> int:
    return PRODUCTION_NAMES.index(TELLING[side][0])


def _difference(traits: Traits, row: int, side: str, deviations: float) -> str:
    """One difference from what the others let expect of this role, in the unit of the trace."""
    _, label, more, less = TELLING[side]
    column = _column(side)
    value, step = float(traits.heard[row, column]), deviations * float(traits.spread[row, column])
    size = _size(value, step, TRACES[column].unit)
    if abs(deviations) <= ALIKE:
        return f"{label} within {size} of the others"
    return f"{label} {size} {more if deviations > 0 else less} than the others"


def _size(value: float, step: float, unit: str) -> str:
    """A difference in the unit of its trace; Hz and s come as base-2 logarithms."""
    if unit == "s":
        return f"{max(0.01, abs(2**value - 2 ** (value - step))):.2f} s"
    if unit == "Hz":
        return f"{max(0.1, abs(2**value - 2 ** (value - step)) / 1000):.1f} kHz"
    if unit == "":
        return f"{max(0.01, abs(step)):.2f}"
    return f"{max(1.0, abs(step)):.0f} dB"
