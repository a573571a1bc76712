"""Choose the strokes of a take among the sudden rises of its level.

A stroke after silence or talk must rise more than one over the ring of the stroke before, because
a voice can start suddenly too. Where no voices are near, a burst in many bands suffices. The
thresholds were set on half of the drums of `tests/bench/takes.py` and `tests/bench/strokes.py`;
both print both halves.
"""

from __future__ import annotations

import numpy as np

from catalog.features.segmentation.levels import BLOCK_S, smooth_level, to_blocks
from catalog.features.segmentation.rises import FLAM_S, FLUX_DB, GROWTH_DB, RING_RISE_DB, Rise

SOFTER_DB = 15.0  # the most by which a stroke is usually softer than the one before
FAR_SOFTER_DB, FAR_SOFTER_RISE_DB = 18.0, 14.0  # softer than that (pedal, rattle): required rise
QUIET_RISE_DB = (14.0, 26.0)  # limits of the rise required from silence, half the range over noise
TALK_RISE_DB = 32.0  # required shortly after a rise that was no stroke
TALK_S = 0.4  # meaning of "shortly"
BUMP_FLUX_DB, BUMP_GROWTH_DB = (
    3.0,
    1.5,
)  # a bump through a stand: no band above 200 Hz, and it swells
BURST_FLUX_DB, BURST_RISE_DB = 3.5, 10.0  # flux and rise of a soft stroke far from talk
SHAKEN_FLUX_DB, SHAKEN_GROWTH_DB = 8.0, 18.0  # shakers and brushes grow on after a strong burst
SHARP_RISE_DB, SHARP_FLUX_DB, SHARP_GROWTH_DB = 22.0, 20.0, 2.0  # no syllable reaches all three
LOW_RISE_DB, LOW_FLUX_DB = 14.0, 1.0  # a rise over a ring that lacks the bands above 200 Hz
STEADY_GROWTH_DB, TALK_AROUND_S = 2.0, 5.0  # a stroke; where voices are counted against strokes
VOICE_GROWTH_DB, VOICE_FLUX_DB = 4.0, 14.0  # a syllable grows by more, with less flux
VOICE_S, MIN_VOICES = 1.0, 2  # this many voices this near make a soft rise a syllable
HIDDEN_DB = ((5.0, 24.0), (2.5, 16.0), (1.2, 12.0))  # flux, and how far the ring has fallen
AFTER_BLOCKS = 50  # ms after which a faint stroke has raised the ring; a rattle has not
RING_OVER_NOISE_DB = 12.0  # a ring that hides strokes
FALL_LEAD_BLOCKS = 18  # ms before a rise that are left out when the fall before it is measured
PEAK_S = 0.100  # a stroke is loudest within this time
SWELL_DB = 9.0  # a decay that rises this far over its minimum holds something else
CLICK_S, CLICK_DB = 0.015, 20.0  # shorter and softer than the median stroke: sticks that touched
CLICK_SMOOTH_S, CLICK_FALL_DB = 0.003, 20.0  # length is measured down to this level
SURE_RISE_DB = 20.0  # a second stroke that rises this far makes a file a take
SURE_GAP_S = 0.200  # if it follows this long after the first; grains of shakers come faster
LIKELY, LIKELY_RISE_DB, LIKELY_FLUX_DB = 3, 12.0, 4.0  # or this many strokes that rise this far
MASKED_DB = 15.0  # a rise this far under the ring is inaudible: the ring of a file was cut off


def select_strokes(rises: list[Rise], smooth: np.ndarray, noise_db: float) -> list[Rise]:
    """Keep the rises that are strokes; what was before each decides how far it must rise.

    `smooth` is the smoothed total level in dB, shape (n_blocks,), and `noise_db` that of the noise.
    """
    low, high = QUIET_RISE_DB
    quiet_rise = float(np.clip(0.5 * (smooth.max() - noise_db), low, high))
    voices = np.array([rise.at for rise in rises if _is_voice(rise)])
    talk = _find_talk(rises, voices)
    strokes, last_other = list[Rise](), -np.inf
    for rise, has_talk in zip(rises, talk, strict=True):
        required = _required_rise(rise, strokes, smooth, quiet_rise)
        is_over_ring = required < quiet_rise
        if is_over_ring:
            required = max(required, _required_softer(rise, strokes[-1], smooth))
        since_s = (rise.at - last_other) * BLOCK_S
        if since_s < TALK_S and (has_talk or since_s >= FLAM_S):  # not after a grace note
            required, is_over_ring = TALK_RISE_DB, False
        growth_db = rise.swell_db if has_talk else rise.growth_db
        is_clear = rise.rise_db >= required and growth_db <= GROWTH_DB and not _is_bump(rise)
        is_hidden = is_over_ring and _is_hidden(rise, strokes[-1], smooth, noise_db)
        is_soft = is_hidden or (_is_burst(rise) and _is_far_from_voices(rise, voices))
        if is_clear or _is_sharp(rise) or (is_soft and not has_talk):
            strokes.append(rise)
        elif not is_over_ring:  # a rise rejected over a ring is no sign of talk
            last_other = rise.at
    return strokes


def _required_rise(rise: Rise, strokes: list[Rise], smooth: np.ndarray, quiet_rise: float) -> float:
    """Return the rise in dB required of a stroke after the last of `strokes`."""
    if not strokes:
        return quiet_rise
    stop = max(0, rise.at - FALL_LEAD_BLOCKS)
    return _required_over_ring(smooth[strokes[-1].at : stop], quiet_rise)


def _required_softer(rise: Rise, last: Rise, smooth: np.ndarray) -> float:
    """Return the rise in dB required of one that is far softer or duller than a stroke."""
    if _peak_db(smooth, rise.at) < _peak_db(smooth, last.at) - FAR_SOFTER_DB:
        return FAR_SOFTER_RISE_DB
    return LOW_RISE_DB if rise.flux_db < LOW_FLUX_DB else 0.0


def _is_sharp(rise: Rise) -> bool:
    """Return whether a rise is as sudden, in as many bands and as final as no syllable is."""
    is_high = rise.rise_db >= SHARP_RISE_DB and rise.flux_db >= SHARP_FLUX_DB
    return is_high and rise.growth_db <= SHARP_GROWTH_DB


def _is_bump(rise: Rise) -> bool:
    """Return whether a rise lacks the bands above 200 Hz and swells: a stand that was touched."""
    return rise.flux_db < BUMP_FLUX_DB and rise.growth_db > BUMP_GROWTH_DB


def _is_burst(rise: Rise) -> bool:
    """Return whether many bands rise at once; shakers grow on, but with a strong burst."""
    is_flat = rise.growth_db <= GROWTH_DB and rise.flux_db >= BURST_FLUX_DB
    is_shaken = rise.growth_db <= SHAKEN_GROWTH_DB and rise.flux_db >= SHAKEN_FLUX_DB
    return rise.rise_db >= BURST_RISE_DB and (is_flat or is_shaken)


def _find_talk(rises: list[Rise], voices: np.ndarray) -> np.ndarray:
    """Return for each rise whether more voices than steady rises are around it."""
    steady = np.array([r.at for r in rises if _is_steady(r)])
    talk_blocks = to_blocks(TALK_AROUND_S)
    ats = np.array([rise.at for rise in rises])
    n_voices, n_steady = (
        np.searchsorted(found, ats + talk_blocks) - np.searchsorted(found, ats - talk_blocks)
        for found in (voices, steady)
    )
    is_local = (n_voices > n_steady) & (n_voices >= MIN_VOICES)
    return np.asarray(is_local | (len(voices) > len(steady)))


def _is_steady(rise: Rise) -> bool:
    return rise.rise_db >= QUIET_RISE_DB[0] and rise.growth_db <= STEADY_GROWTH_DB


def _is_voice(rise: Rise) -> bool:
    """Return whether a rise swells on as syllables do; a shaker starts with a stronger burst."""
    return rise.growth_db > VOICE_GROWTH_DB and rise.flux_db < VOICE_FLUX_DB


def _is_far_from_voices(rise: Rise, voices: np.ndarray) -> bool:
    distances_s = np.abs(voices - rise.at) * BLOCK_S
    near = (distances_s >= FLAM_S) & (distances_s < VOICE_S)
    return int(near.sum()) < MIN_VOICES


def _is_hidden(rise: Rise, last: Rise, smooth: np.ndarray, noise_db: float) -> bool:
    """Return whether a rise is a stroke that the loud ring of the stroke `last` hides."""
    if rise.flux_db < FLUX_DB or rise.growth_db > SHAKEN_GROWTH_DB:
        return False
    fall_db = next(fall for flux, fall in HIDDEN_DB if rise.flux_db >= flux)
    before = float(smooth[max(0, rise.at - FALL_LEAD_BLOCKS)])
    after = float(smooth[min(len(smooth) - 1, rise.at + AFTER_BLOCKS)])
    is_rattle = rise.flux_db < HIDDEN_DB[1][0] and after < before
    floor_db = max(noise_db + RING_OVER_NOISE_DB, _peak_db(smooth, last.at) - fall_db)
    return before > floor_db and not is_rattle


def _peak_db(smooth: np.ndarray, at: int) -> float:
    return float(smooth[at : at + to_blocks(PEAK_S)].max())


def _required_over_ring(level: np.ndarray, quiet_rise: float) -> float:
    """Return the required rise in dB, from how far the stroke before has fallen.

    `level` runs from that stroke on. If it swelled meanwhile, it no longer shows a ring.
    """
    n = to_blocks(PEAK_S)
    if len(level) < n:
        return RING_RISE_DB
    decay = level[int(np.argmax(level[:n])) :]
    if np.any(decay > np.minimum.accumulate(decay) + SWELL_DB):
        return quiet_rise
    fallen = float(decay[0] - decay[-1])
    return float(np.clip(fallen - SOFTER_DB, RING_RISE_DB, quiet_rise))


def drop_stick_clicks(strokes: list[Rise], total: np.ndarray) -> list[Rise]:
    """Leave out strokes far shorter and softer than the median one: sticks that touched."""
    if not strokes:
        return []
    level = smooth_level(total, CLICK_SMOOTH_S)
    stops = [*(stroke.at for stroke in strokes[1:]), len(total)]
    peaks, lengths_s = [], []
    for stroke, stop in zip(strokes, stops, strict=True):
        part = level[stroke.at : stop]
        at = int(np.argmax(part[: to_blocks(PEAK_S)]))
        under = np.flatnonzero(part[at:] < part[at] - CLICK_FALL_DB)
        peaks.append(float(part[at]))
        lengths_s.append((int(under[0]) if len(under) else len(part)) * BLOCK_S)
    softest = float(np.median(peaks)) - CLICK_DB
    measured = zip(strokes, peaks, lengths_s, strict=True)
    return [s for s, peak, length_s in measured if length_s >= CLICK_S or peak >= softest]


def is_take(strokes: list[Rise]) -> bool:
    """Return whether enough strokes follow the first one for a take of several strokes."""
    later = [s for s in strokes[1:] if (s.at - strokes[0].at) * BLOCK_S >= SURE_GAP_S]
    later = [s for s in later if s.over_db >= -MASKED_DB]
    is_sure = any(s.rise_db >= SURE_RISE_DB and s.swell_db <= GROWTH_DB for s in later)
    likely = [s.at for s in later if s.rise_db >= LIKELY_RISE_DB or s.flux_db >= LIKELY_FLUX_DB]
    gaps = np.diff([-np.inf, *likely])
    return is_sure or int((gaps * BLOCK_S >= FLAM_S).sum()) >= LIKELY
