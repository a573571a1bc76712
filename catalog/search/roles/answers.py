"""What a change of a role changed besides: the roles of other hits that followed it."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import NamedTuple

MAX_LISTED = 5  # numbers of hits in a sentence


class RoleShift(NamedTuple):
    """A hit whose estimated role has changed."""

    hit_id: int
    before: str
    role: str


@dataclass(frozen=True)
class RoleAnswer:
    """A role that the user set, "" for the automatic one, and the hits that followed."""

    role: str
    followed: tuple[RoleShift, ...]

    def __str__(self) -> str:
        """Return "12 more hits are now sidestick (61, 62 and 10 more)", for each role."""
        if not self.followed:
            return "no other role has changed"
        counts = Counter(shift.role for shift in self.followed)
        return "; ".join(self._describe(role) for role, _ in counts.most_common())

    def _describe(self, role: str) -> str:
        ids = [shift.hit_id for shift in self.followed if shift.role == role]
        verb = "hit is" if len(ids) == 1 else "hits are"
        rest = f" and {len(ids) - MAX_LISTED} more" if len(ids) > MAX_LISTED else ""
        listed = ", ".join(map(str, ids[:MAX_LISTED]))
        return f"{len(ids)} more {verb} now {role} ({listed}{rest})"
