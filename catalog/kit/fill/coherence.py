"""Costs of how well hits fit into one kit: they add up, 0 is ideal and 1 is clearly audible.

Rate, format and name of a file have no influence. Where a hit comes from has one: hats of one drum
of one session are known to be one pair of cymbals.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from catalog.features.production import PRODUCTION_DESCRIPTORS
from catalog.kit.fill.together import number_instruments, number_microphones, number_sessions
from catalog.kit.slots import HAT_SLOTS, SLOTS, TOMS
from catalog.library.metadata.roles import split_words, word_set
from catalog.models import Hit
from catalog.search.drums.drum_pitch import estimate_drum_pitches

SILENT_DB = -120.0
CLIP = 4.0  # deviations; larger values are outliers
SHRINK = 8.0  # hits of the whole pool that count towards a role, so that few hits do not decide
SPREAD_MIN = 0.1  # of the pool's deviation, for roles whose hits hardly differ
LOG_FLOOR = {"Hz": 20.0, "s": 0.01}  # below these a ratio is inaudible
ROLE_WEIGHT = 1.0  # a hit with an estimated role costs as much as one from another room
PAIR_WEIGHT = 0.5  # of the terms below, which are in units of what is clearly audible
STEP_RANGE = (3.0, 7.0)  # semitones between neighboring toms: thirds to fifths, common practice
STEP_SLOPE = 0.3  # per semitone outside
STEP_WRONG = 2.0  # for a higher tom slot that does not sound higher
STEP_UNKNOWN = 0.5  # for a tom without a pitch
SAME_NOTE = 1.5  # semitones; nearer toms are strokes of one drum, or useless beside each other
STEP_SAME = 16.0  # for two such toms; more than a set from another session costs
BODY_APART = 3.0  # semitones between kick and toms: closer than a third they blur; no source
HAT_PAIR = 0.5  # for hats known to be of different pairs
SAME_DRUM = 1.0  # for a second kick, snare or tom that is another stroke of the first
UNUSUAL_COST = 1.0  # for a cymbal stopped by hand, or a drum struck beside its head
LAYERS_WEIGHT = 0.5  # for a drum with one stroke, where layers are wanted
N_STROKES_WANTED = 4  # of a drum for layers; with fewer, the cost rises evenly
LIKING_WEIGHT = 0.15  # between the least and the most liked hit of a role
# Ways to play that no slot asks for: common practice, no source.
STOPPED = word_set("choke choked grab grabbed stopped")
BESIDE_HEAD = word_set("shell hoop rim")
DRUM_ROLES = ("kick", "snare", "tom")
LOW_SLOTS = ("kick", "kick_2", *TOMS)
STEPS = 64  # quantization of a trace, an eighth of a deviation each; 256 made the same choices


@dataclass(frozen=True, eq=False)
class Traits:
    """Numbers that the costs are computed from, one row for each hit of a pool."""

    production: np.ndarray  # (n, p), descriptors; those in Hz and s as base-2 logarithms
    z: np.ndarray  # float32 (n, p), deviations from the mean of the role, within `CLIP`
    deviation: np.ndarray  # (n, p), one deviation in the descriptor's unit; octaves for Hz and s
    pitch: np.ndarray  # (n,), semitones above 1 Hz, NaN where there is none
    uncertainty: np.ndarray  # (n,), of the role, 0 to 1
    drum: np.ndarray  # int (n,), number of the drum of a session; -1 unknown
    role: np.ndarray  # int (n,), number of the role, from 0 on
    noise: np.ndarray  # (n,), dB beside the peak; `SILENT_DB` where no noise is seen
    unusual: np.ndarray  # bool (n,), named as played in a way that no slot asks for
    # "session", "instrument" and "microphone": int (n,), numbers of them, -1 unknown
    groups: Mapping[str, np.ndarray]
    liking: np.ndarray | None = None  # (n,), -1 to 1, of the user for a hit of the role
    wants_layers: bool = False  # whether drums with several strokes are preferred

    @cached_property
    def rarity(self) -> TraitRarity:
        """How rare each degree of likeness is in this pool, computed on first use."""
        return measure_rarity(self.z, self.role)

    @cached_property
    def lacking(self) -> np.ndarray:
        """Share, shape (n,), of the strokes for layers that the drum of each hit lacks."""
        n_strokes = np.ones(len(self.drum))
        known = self.drum >= 0
        if known.any():
            n_strokes[known] = np.bincount(self.drum[known])[self.drum[known]]
        return np.maximum(0.0, N_STROKES_WANTED - n_strokes) / (N_STROKES_WANTED - 1)


def compute_traits(hits: tuple[Hit, ...], production: np.ndarray) -> Traits:
    """Compute the traits of a pool; the columns of `production` are `PRODUCTION_DESCRIPTORS`."""
    roles = np.array([hit.role for hit in hits], dtype=object)
    scaled = _perceptual_scale(production)
    z, deviation = _standardize_by_role(scaled, roles)
    pitches = estimate_drum_pitches(hits)
    pitch_hz = [pitches[hit.id].hz if hit.id in pitches else np.nan for hit in hits]
    pitch = 12.0 * np.log2(np.array(pitch_hz, dtype=np.float64))
    drums: dict[tuple[str, str], int] = {}
    drum = [
        drums.setdefault((hit.session, hit.drum), len(drums)) if hit.session and hit.drum else -1
        for hit in hits
    ]
    uncertainty = 1.0 - np.clip([hit.role_confidence for hit in hits], 0.0, 1.0)
    number = {role: index for index, role in enumerate(dict.fromkeys(roles))}
    role = np.array([number[name] for name in roles], dtype=np.int64)
    groups = {
        "session": number_sessions(hits),
        "instrument": number_instruments(hits),
        "microphone": number_microphones(hits),
    }
    drum_number = np.array(drum, dtype=np.int64)
    unusual = np.array([_is_unusual(hit) for hit in hits], dtype=bool)
    noise = np.array([_noise_db(hit) for hit in hits], dtype=np.float64)
    return Traits(
        scaled, z, deviation, pitch, uncertainty, drum_number, role, noise, unusual, groups
    )


def _is_unusual(hit: Hit) -> bool:
    words = set(split_words(hit.stem))
    beside = hit.role in DRUM_ROLES and BESIDE_HEAD & words and "shot" not in words
    return bool(STOPPED & words or beside)


def _noise_db(hit: Hit) -> float:
    floor = hit.descriptors.get("floor_db", np.nan)
    level = floor - hit.descriptors.get("peak_db", np.nan)
    return float(level) if np.isfinite(level) else SILENT_DB


def _perceptual_scale(production: np.ndarray) -> np.ndarray:
    """Production with frequencies and times in octaves."""
    scaled = np.nan_to_num(np.array(production, dtype=np.float64))
    for column, trace in enumerate(PRODUCTION_DESCRIPTORS[: scaled.shape[1]]):
        if trace.unit in LOG_FLOOR:
            scaled[:, column] = np.log2(np.maximum(scaled[:, column], LOG_FLOOR[trace.unit]))
    return scaled


def _standardize_by_role(scaled: np.ndarray, roles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Deviations from the mean of the role, with mean and variance shrunk towards the pool's."""
    z, deviation = np.zeros(scaled.shape, dtype=np.float32), np.ones_like(scaled)
    if len(scaled) == 0:
        return z, deviation
    mean_all, var_all = scaled.mean(axis=0), scaled.var(axis=0) + 1e-12
    for role in set(roles):
        rows = roles == role
        own = rows.sum() / (rows.sum() + SHRINK)
        mean = own * scaled[rows].mean(axis=0) + (1.0 - own) * mean_all
        var = own * scaled[rows].var(axis=0) + (1.0 - own) * var_all
        std = np.sqrt(np.maximum(var, SPREAD_MIN**2 * var_all))
        z[rows] = np.clip((scaled[rows] - mean) / std, -CLIP, CLIP)
        deviation[rows] = std
    return z, deviation


def slot_pair_cost(
    traits: Traits, first: tuple[str, np.ndarray], second: tuple[str, np.ndarray]
) -> np.ndarray:
    """Pairwise slot cost (a, b): tom intervals, pitch of kick and toms, pair of hats, two drums.

    `first` and `second` are each a slot name and the rows of the pool that may fill the slot.
    """
    (slot_a, rows_a), (slot_b, rows_b) = first, second
    drum_a, drum_b = traits.drum[rows_a][:, None], traits.drum[rows_b][None, :]
    known = (drum_a >= 0) & (drum_b >= 0)
    cost = np.zeros(known.shape)
    if SLOTS[slot_a].roles == SLOTS[slot_b].roles:
        cost += SAME_DRUM * (known & (drum_a == drum_b))
    interval = traits.pitch[rows_b][None, :] - traits.pitch[rows_a][:, None]
    if slot_a in TOMS and slot_b in TOMS:
        n_steps = TOMS.index(slot_b) - TOMS.index(slot_a)
        cost += _interval_cost(interval * np.sign(n_steps), abs(n_steps))
    elif slot_a in LOW_SLOTS and slot_b in LOW_SLOTS:
        cost += np.nan_to_num(np.clip(1.0 - np.abs(interval) / BODY_APART, 0.0, 1.0))
    elif slot_a in HAT_SLOTS and slot_b in HAT_SLOTS:
        cost += HAT_PAIR * (known & (drum_a != drum_b))
    return PAIR_WEIGHT * cost


def _interval_cost(interval: np.ndarray, n_steps: int) -> np.ndarray:
    """Cost of an upward interval in semitones between toms that are `n_steps` slots apart."""
    low, high = STEP_RANGE[0] * n_steps, STEP_RANGE[1] * n_steps
    outside = np.maximum(low - interval, 0.0) + np.maximum(interval - high, 0.0)
    cost = np.minimum(STEP_SLOPE * outside, 1.0) + STEP_WRONG * (interval <= 0.0)
    cost += STEP_SAME * (np.abs(interval) < SAME_NOTE)
    return np.asarray(np.where(np.isnan(interval), STEP_UNKNOWN, cost))


def role_cost(traits: Traits, rows: np.ndarray) -> np.ndarray:
    """Cost of hits by their role, way to play, number of strokes and the user's liking, (n,)."""
    cost = ROLE_WEIGHT * traits.uncertainty[rows] + UNUSUAL_COST * traits.unusual[rows]
    if traits.wants_layers:
        cost = cost + LAYERS_WEIGHT * traits.lacking[rows]
    if traits.liking is not None:
        cost = cost + LIKING_WEIGHT * (1.0 - traits.liking[rows]) / 2.0
    return np.asarray(cost, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class TraitRarity:
    """How rare each degree of likeness is among the hits of a role, trace by trace.

    `nearer` is the share of the hits of a role within a distance (last axis) of a step (third
    axis), without those at that very step.
    """

    step: np.ndarray  # int (n, p), each trace quantized to `STEPS` equal steps
    role: np.ndarray  # int (n,)
    nearer: np.ndarray  # float32 (n_roles, p, STEPS, STEPS)

    def cost(self, rows_a: np.ndarray, rows_b: np.ndarray) -> np.ndarray:
        """Difference of hits in room, noise, tone, width and level, given their roles.

        For each trace it is the share of hits that are at least as near, summed over both sides;
        the traces are averaged.

        Parameters
        ----------
        rows_a, rows_b : np.ndarray of int, shape (a,) and (b,), rows of the pool

        Returns
        -------
        np.ndarray, float64, shape (a, b)
            0 where no hit is nearer, 1 for two random hits, at most 2
        """
        cost = np.zeros((len(rows_a), len(rows_b)))
        for shares in self._shares(rows_a, rows_b):
            cost += shares.sum(axis=2, dtype=np.float64)
        return cost / max(1, self.step.shape[1])

    def cost_by_trace(self, row: int, others: np.ndarray) -> np.ndarray:
        """Contribution of each trace, shape (p,), to the cost of a row beside others.

        The mean over the traces is the mean `cost`.
        """
        both = self._shares(np.array([row]), others)
        return np.asarray(sum(shares[0].mean(axis=0, dtype=np.float64) for shares in both))

    def _shares(self, rows_a: np.ndarray, rows_b: np.ndarray) -> Iterator[np.ndarray]:
        """Share that is nearer in each trace, float32 (a, b, p), once for either side."""
        step_a, step_b = self.step[rows_a][:, None, :], self.step[rows_b][None, :, :]
        distance = np.abs(step_a - step_b)
        n_traces = self.step.shape[1]
        offset = np.arange(n_traces, dtype=np.int32) * STEPS**2
        for role, at in ((self.role[rows_a][:, None], step_b), (self.role[rows_b][None], step_a)):
            cell = role[..., None] * (n_traces * STEPS**2) + offset + at * STEPS
            yield self.nearer.take(cell + distance)


def measure_rarity(z: np.ndarray, role: np.ndarray) -> TraitRarity:
    """Count, for each role and trace, how many hits lie within each distance of each step.

    Parameters
    ----------
    z : np.ndarray, shape (n, p), traces in deviations from the mean of the role
    role : np.ndarray of int, shape (n,), from 0 on
    """
    step = np.rint((np.clip(z, -CLIP, CLIP) + CLIP) / (2.0 * CLIP) * (STEPS - 1))
    step = step.astype(np.int32)
    role = role.astype(np.int32)
    n_roles, n_traces = int(role.max(initial=-1)) + 1, z.shape[1]
    cell = (role[:, None] * n_traces + np.arange(n_traces)) * STEPS + step
    count = np.bincount(cell.ravel(), minlength=n_roles * n_traces * STEPS)
    count = count.reshape(n_roles, n_traces, STEPS).astype(np.float32)  # exact up to 2**24 hits
    below = np.zeros((n_roles, n_traces, STEPS + 1), dtype=np.float32)
    count.cumsum(axis=2, out=below[..., 1:])
    at, within = np.meshgrid(np.arange(STEPS), np.arange(STEPS), indexing="ij")
    nearer = below.take(np.minimum(at + within + 1, STEPS), axis=2)
    nearer -= below.take(np.maximum(at - within, 0), axis=2)
    nearer -= count[..., None]
    nearer /= np.maximum(1.0, below[:, :, -1:, None])
    return TraitRarity(step, role, nearer)
