"""Signs of what was done to one of two copies, and their sum."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

ORIGIN_VERSION = 1  # raise when signs change, so that stored ones are computed again
MIN_BALANCE = 1.0  # of the weights; a smaller sum does not show which copy was made first


class Loss(StrEnum):
    """What was done to the later of two copies."""

    LOSSY = "lossy coder"
    ROUNDED = "rounded"  # the later one is the earlier one times a number, rounded
    BANDWIDTH = "highest band removed"
    RATE = "rate raised"
    CHANNEL = "one channel"
    START = "start trimmed"
    TAIL = "tail cut"
    FADE = "faded"
    SILENCE = "silence added"
    DYNAMICS = "peaks reduced"
    LOW_CUT = "low end removed"
    NOISE = "noise added"
    PROCESSED = "processed"  # its samples are on no grid, those of the other are


@dataclass(frozen=True)
class Sign:
    """One sign that the second of two copies was made from the first, or the reverse.

    Attributes
    ----------
    loss : Loss
    weight : float, above 0 if the first copy is the earlier one, below 0 if the second is
    amount : float, in the unit of the loss: dB, s, Hz or bits; 0 if there is none
    """

    loss: Loss
    weight: float
    amount: float = 0.0


@dataclass(frozen=True)
class Origin:
    """All signs of a pair of copies."""

    signs: tuple[Sign, ...] = ()

    @property
    def balance(self) -> float:
        """Sum of the weights: above 0 if the first copy is the earlier one."""
        return sum(sign.weight for sign in self.signs)

    @property
    def order(self) -> int:
        """1 if the first copy is the earlier one, -1 if the second is, 0 if neither is shown."""
        balance = self.balance
        return 0 if abs(balance) < MIN_BALANCE else 1 if balance > 0 else -1

    def swapped(self) -> Origin:
        """Return it with the two copies exchanged."""
        return Origin(tuple(Sign(s.loss, -s.weight, s.amount) for s in self.signs))
