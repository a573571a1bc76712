"""How much a likeness between two hits tells: the rarer it is among the hits of the role, the more.

Two hits that both end at 16 kHz tell little in a pool where all do, and much where no other does.
So a difference is not counted in deviations but as the share of the role's hits that are nearer.
Nothing is learned: the pool itself is the measure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

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
