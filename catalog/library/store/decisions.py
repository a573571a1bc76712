"""Cache of decisions about pairs of recordings, keyed by content hash."""

from __future__ import annotations

from typing import NamedTuple

from catalog.library.store.database import Database
from catalog.models import Hit, Verdict

KEY_DIGITS = 20  # 80 bits of the hash: among a million recordings, 1e-12 chance of a collision
Keys = tuple[str, str]


class Decision(NamedTuple):
    """What the classifier decided about one pair, the share in common, and its logit."""

    answer: Verdict
    share: float
    logit: float


class DecisionCache:
    """Decisions by the content of both hits; new ones can be written to the store.

    Parameters
    ----------
    known : dict of (key, key) to Decision, optional, from earlier runs
    """

    def __init__(self, known: dict[Keys, Decision] | None = None) -> None:
        self._known = known or {}
        self.made: dict[Keys, Decision] = {}

    def get(self, first: Hit, second: Hit) -> Decision | None:
        """Return the decision about two hits, in either order; None if there is none."""
        if not self.made and not self._known:
            return None
        keys = _keys(first, second)
        return self.made.get(keys) or self._known.get(keys)

    def add(self, first: Hit, second: Hit, decision: Decision) -> None:
        """Add a decision."""
        self.made[_keys(first, second)] = decision

    @classmethod
    def read(cls, database: Database, *, version: int) -> DecisionCache:
        """Read the decisions of this version of the classifier."""
        rows = database.read(
            "SELECT first, second, answer, share, logit FROM decision WHERE version = ?",
            (version,),
        )
        verdicts = {verdict.value: verdict for verdict in Verdict}
        return cls(
            {(a, b): Decision(verdicts[answer], *numbers) for a, b, answer, *numbers in rows}
        )

    def write(self, database: Database, *, version: int) -> None:
        """Write the new decisions in place of older ones about the same pairs."""
        rows = [(*keys, version, *decision) for keys, decision in self.made.items()]
        with database.writing(changes_hits=False) as db:
            db.executemany("INSERT OR REPLACE INTO decision VALUES (?, ?, ?, ?, ?, ?)", rows)
        self._known.update(self.made)
        self.made.clear()


def _keys(first: Hit, second: Hit) -> Keys:
    a, b = sorted((_key(first), _key(second)))
    return a, b


def _key(hit: Hit) -> str:
    return f"{hit.content_hash[:KEY_DIGITS]}:{hit.start}:{hit.stop}"
