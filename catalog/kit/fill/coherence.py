"""What makes hits sound like one kit, as costs that add up; 0 is ideal and 1 is clearly heard.

Nothing here looks at a file's rate, format or name. The one use of where a hit comes from: hats of
one drum of one session are known to be one pair of cymbals.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from catalog.features.production import PRODUCTION_DESCRIPTORS
from catalog.kit.slots import HAT_SLOTS, SLOTS, TOMS
from catalog.models import Hit

CLIP = 4.0  # deviations; beyond it a number is a freak, not a fact


SHRINK = 8.0  # hits of the whole pool that a role borrows while it has few of its own


SPREAD_MIN = 0.1  # of the pool's spread: a role whose hits all agree is no reason to split hairs


LOG_FLOOR = {"Hz": 20.0, "s": 0.01}  # below it a ratio is no longer heard


ROLE_WEIGHT = 1.0  # a hit whose role is a mere guess costs as much as one from another room


MUSIC_WEIGHT = 0.5  # of the terms below, which are in units of what is clearly heard


STEP_RANGE = (3.0, 7.0)  # semitones between neighbouring toms: thirds to fifths, common practice


STEP_SLOPE = 0.3  # per semitone outside


STEP_WRONG = 2.0  # a run of toms that does not come down


STEP_UNKNOWN = 0.5  # a tom without a body


BODY_APART = 3.0  # semitones between kick and toms: closer than a third they blur; no source


HAT_PAIR = 0.5  # hats known to be of different pairs


SAME_DRUM = 1.0  # a second kick, snare or tom that is another stroke of the first


LOW_SLOTS = ("kick", "kick_2", *TOMS)


@dataclass(frozen=True, eq=False)
class Traits:
    """What the judgement knows of each hit of a pool, one row a hit.

    Attributes
    ----------
    heard : np.ndarray, shape (n, p)
        production; the traces in Hz and s as base-2 logarithms
    z : np.ndarray, float32, shape (n, p)
        production in deviations from what is usual for the role, within `CLIP`
    spread : np.ndarray, shape (n, p)
        one deviation in the unit of the trace, or in octaves for Hz and s
    body : np.ndarray, shape (n,), semitones above 1 Hz, NaN where there is none
    doubt : np.ndarray, shape (n,), 0 (sure of its role) to 1
    pair : np.ndarray of int, shape (n,), which drum of which session; -1 unknown
    role : np.ndarray of int, shape (n,), hits of one role have one number, from 0 on
    """

    heard: np.ndarray
    z: np.ndarray
    spread: np.ndarray
    body: np.ndarray
    doubt: np.ndarray
    pair: np.ndarray
    role: np.ndarray

    @cached_property
    def agreement(self) -> Agreement:
        """How much each likeness is worth in this pool, worked out when it is first asked for."""
        return weigh_agreement(self.z, self.role, limit=CLIP)


def judge_hits(hits: tuple[Hit, ...], production: np.ndarray) -> Traits:
    """Prepare the judgement of a pool.

    Parameters
    ----------
    hits : tuple of Hit
    production : np.ndarray, shape (n, p), see `catalog.features.production.PRODUCTION_DESCRIPTORS`

    Returns
    -------
    Traits
    """
    roles = np.array([hit.role for hit in hits], dtype=object)
    heard = _heard(production)
    z, spread = _within_role(heard, roles)
    body = np.array([hit.descriptors.get("body_hz", np.nan) for hit in hits], dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        body = np.where(body > 0, 12.0 * np.log2(body), np.nan)
    drums: dict[tuple[str, str], int] = {}
    pair = [
        drums.setdefault((hit.session, hit.drum), len(drums)) if hit.session and hit.drum else -1
        for hit in hits
    ]
    doubt = 1.0 - np.clip([hit.role_confidence for hit in hits], 0.0, 1.0)
    number = {role: place for place, role in enumerate(dict.fromkeys(roles))}
    role = np.array([number[name] for name in roles], dtype=np.int64)
    return Traits(heard, z, spread, body, doubt, np.array(pair, dtype=np.int64), role)


def _heard(production: np.ndarray) -> np.ndarray:
    """Production on the scale on which it is heard: octaves for frequencies and times."""
    heard = np.nan_to_num(np.array(production, dtype=np.float64))
    for column, trace in enumerate(PRODUCTION_DESCRIPTORS[: heard.shape[1]]):
        if trace.unit in LOG_FLOOR:
            heard[:, column] = np.log2(np.maximum(heard[:, column], LOG_FLOOR[trace.unit]))
    return heard


def _within_role(heard: np.ndarray, roles: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Deviations from the role's mean; a role with few hits leans on the whole pool."""
    z, spread = np.zeros(heard.shape, dtype=np.float32), np.ones_like(heard)
    if len(heard) == 0:
        return z, spread
    mean_all, var_all = heard.mean(axis=0), heard.var(axis=0) + 1e-12
    for role in set(roles):
        rows = roles == role
        own = rows.sum() / (rows.sum() + SHRINK)
        mean = own * heard[rows].mean(axis=0) + (1.0 - own) * mean_all
        var = own * heard[rows].var(axis=0) + (1.0 - own) * var_all
        deviation = np.sqrt(np.maximum(var, SPREAD_MIN**2 * var_all))
        z[rows] = np.clip((heard[rows] - mean) / deviation, -CLIP, CLIP)
        spread[rows] = deviation
    return z, spread


def sound_cost(traits: Traits, rows_a: np.ndarray, rows_b: np.ndarray) -> np.ndarray:
    """How unlike two hits are in room, noise, tone, width and level, given their roles.

    What counts is how rare the likeness is, see `catalog.kit.fill.coherence`.

    Parameters
    ----------
    traits : Traits
    rows_a, rows_b : np.ndarray of int, shape (a,) and (b,), rows of the pool

    Returns
    -------
    np.ndarray, float64, shape (a, b)
        0 alike in all, 1 as unlike as any two hits of these roles, at most 2
    """
    return traits.agreement.cost(rows_a, rows_b)


def music_cost(
    traits: Traits, first: tuple[str, np.ndarray], second: tuple[str, np.ndarray]
) -> np.ndarray:
    """What two slots owe each other: steps of toms, bodies apart, one pair of hats, two drums.

    Parameters
    ----------
    traits : Traits
    first, second : (slot name, np.ndarray of int of shape (a,) or (b,)), rows of the pool

    Returns
    -------
    np.ndarray, float64, shape (a, b)
    """
    (slot_a, rows_a), (slot_b, rows_b) = first, second
    drum_a, drum_b = traits.pair[rows_a][:, None], traits.pair[rows_b][None, :]
    known = (drum_a >= 0) & (drum_b >= 0)
    cost = np.zeros(known.shape)
    if SLOTS[slot_a].roles == SLOTS[slot_b].roles:
        cost += SAME_DRUM * (known & (drum_a == drum_b))
    up = traits.body[rows_b][None, :] - traits.body[rows_a][:, None]
    if slot_a in TOMS and slot_b in TOMS:
        places = TOMS.index(slot_b) - TOMS.index(slot_a)
        cost += _step_cost(up * np.sign(places), abs(places))
    elif slot_a in LOW_SLOTS and slot_b in LOW_SLOTS:
        cost += np.nan_to_num(np.clip(1.0 - np.abs(up) / BODY_APART, 0.0, 1.0))
    elif slot_a in HAT_SLOTS and slot_b in HAT_SLOTS:
        cost += HAT_PAIR * (known & (drum_a != drum_b))
    return MUSIC_WEIGHT * cost


def _step_cost(up: np.ndarray, places: int) -> np.ndarray:
    """Cost of the interval between two toms that lie `places` apart, semitones upwards."""
    low, high = STEP_RANGE[0] * places, STEP_RANGE[1] * places
    outside = np.maximum(low - up, 0.0) + np.maximum(up - high, 0.0)
    cost = np.minimum(STEP_SLOPE * outside, 1.0) + STEP_WRONG * (up <= 0.0)
    return np.asarray(np.where(np.isnan(up), STEP_UNKNOWN, cost))


def own_cost(traits: Traits, rows: np.ndarray) -> np.ndarray:
    """Cost of choosing a hit whose role is not sure, shape (n,)."""
    return np.asarray(ROLE_WEIGHT * traits.doubt[rows], dtype=np.float64)


STEPS = 64  # of a trace, an eighth of a deviation each: finer ones (256) chose alike


@dataclass(frozen=True, eq=False)
class Agreement:
    """What a pool knows of its own likenesses.

    Attributes
    ----------
    step : np.ndarray of int, shape (n, p), each trace in `STEPS` equal steps
    role : np.ndarray of int, shape (n,)
    nearer : np.ndarray, float32, shape (n_roles, p, STEPS, STEPS)
        share of the hits of a role that lie within a distance (last axis) of a place (third axis),
        without those that lie at that very place
    """

    step: np.ndarray
    role: np.ndarray
    nearer: np.ndarray

    def cost(self, rows_a: np.ndarray, rows_b: np.ndarray) -> np.ndarray:
        """How common it is to be as near as these, counted from both sides, mean over traces.

        Parameters
        ----------
        rows_a, rows_b : np.ndarray of int, shape (a,) and (b,), rows of the pool

        Returns
        -------
        np.ndarray, float64, shape (a, b)
            0 where no hit is nearer, 1 for two hits taken at random, at most 2
        """
        cost = np.zeros((len(rows_a), len(rows_b)))
        for shares in self._shares(rows_a, rows_b):
            cost += shares.sum(axis=2, dtype=np.float64)
        return cost / max(1, self.step.shape[1])

    def cost_by_trace(self, row: int, others: np.ndarray) -> np.ndarray:
        """Part of each trace in what a hit costs beside others, on the scale of `cost`.

        Parameters
        ----------
        row : int, of the pool
        others : np.ndarray of int, shape (n,), rows of the pool, at least one

        Returns
        -------
        np.ndarray, float64, shape (p,); their mean is the mean `cost`
        """
        both = self._shares(np.array([row]), others)
        return np.asarray(sum(shares[0].mean(axis=0, dtype=np.float64) for shares in both))

    def _shares(self, rows_a: np.ndarray, rows_b: np.ndarray) -> Iterator[np.ndarray]:
        """Share that is nearer in each trace, float32 (a, b, p), once from either side."""
        step_a, step_b = self.step[rows_a][:, None, :], self.step[rows_b][None, :, :]
        apart = np.abs(step_a - step_b)
        n_traces = self.step.shape[1]
        first = np.arange(n_traces, dtype=np.int32) * STEPS**2
        for role, at in ((self.role[rows_a][:, None], step_b), (self.role[rows_b][None], step_a)):
            cell = role[..., None] * (n_traces * STEPS**2) + first + at * STEPS
            yield self.nearer.take(cell + apart)


def weigh_agreement(z: np.ndarray, role: np.ndarray, *, limit: float) -> Agreement:
    """Count, for each role and trace, how many hits lie within each distance of each place.

    Parameters
    ----------
    z : np.ndarray, shape (n, p), traces in deviations from what is usual for the role
    role : np.ndarray of int, shape (n,), from 0 on
    limit : float, largest size of a deviation

    Returns
    -------
    Agreement
    """
    step = np.rint((np.clip(z, -limit, limit) + limit) / (2.0 * limit) * (STEPS - 1))
    step = step.astype(np.int32)
    role = role.astype(np.int32)
    n_roles, n_traces = int(role.max(initial=-1)) + 1, z.shape[1]
    place = (role[:, None] * n_traces + np.arange(n_traces)) * STEPS + step
    count = np.bincount(place.ravel(), minlength=n_roles * n_traces * STEPS)
    count = count.reshape(n_roles, n_traces, STEPS).astype(np.float32)  # whole up to 2**24 hits
    below = np.zeros((n_roles, n_traces, STEPS + 1), dtype=np.float32)
    count.cumsum(axis=2, out=below[..., 1:])
    at, within = np.meshgrid(np.arange(STEPS), np.arange(STEPS), indexing="ij")
    nearer = below.take(np.minimum(at + within + 1, STEPS), axis=2)
    nearer -= below.take(np.maximum(at - within, 0), axis=2)
    nearer -= count[..., None]
    nearer /= np.maximum(1.0, below[:, :, -1:, None])
    return Agreement(step, role, nearer)
