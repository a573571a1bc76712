"""What was decided of pairs of recordings, kept by what they hold: later runs ask the new only."""

from __future__ import annotations

from typing import NamedTuple

from catalog.library.store.database import Database
from catalog.models import Hit, Verdict

KEY_DIGITS = 20  # of the hash, 80 bits; two of a million recordings meet by chance in 1e-12 cases
Keys = tuple[str, str]


class Decision(NamedTuple):
    """One pair that was judged: the judge's answer, the share in common, and its logit."""

    answer: Verdict
    share: float
    logit: float


class Decisions:
    """Decisions by what both hits hold; those that are new can be written to the store.

    Parameters
    ----------
    known : dict of (key, key) to Decision, optional, from runs before
    """

    def __init__(self, known: dict[Keys, Decision] | None = None) -> None:
        self._known = known or {}
        self.made: dict[Keys, Decision] = {}

    def get(self, first: Hit, second: Hit) -> Decision | None:
        """Give what was decided of two hits, in either order; None if nothing was."""
        if not self.made and not self._known:
            return None
        keys = _keys(first, second)
        return self.made.get(keys) or self._known.get(keys)

    def add(self, first: Hit, second: Hit, decision: Decision) -> None:
        """Keep a decision."""
        self.made[_keys(first, second)] = decision

    @classmethod
    def read(cls, store: Database, *, version: int) -> Decisions:
        """Read what this version of the judge decided before."""
        rows = store.read(
            "SELECT first, second, answer, share, logit FROM decision WHERE version = ?",
            (version,),
        )
        verdicts = {verdict.value: verdict for verdict in Verdict}
        return cls(
            {(a, b): Decision(verdicts[answer], *numbers) for a, b, answer, *numbers in rows}
        )

    def write(self, store: Database, *, version: int) -> None:
        """Write what is new; older decisions of the same pairs give way."""
        rows = [(*keys, version, *decision) for keys, decision in self.made.items()]
        with store.writing(changes_hits=False) as db:
            db.executemany("INSERT OR REPLACE INTO decision VALUES (?, ?, ?, ?, ?, ?)", rows)
        self._known.update(self.made)
        self.made.clear()


def _keys(first: Hit, second: Hit) -> Keys:
    one, other = _key(first), _key(second)
    return (one, other) if one <= other else (other, one)


def _key(hit: Hit) -> str:
    return f"{hit.content_hash[:KEY_DIGITS]}:{hit.start}:{hit.stop}"
