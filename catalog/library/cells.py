"""One place of the coverage: strokes that are alike in drum, strength, kind and microphone."""

from __future__ import annotations

from dataclasses import dataclass

STRENGTHS = ("soft", "middle", "full")
STROKES = ("", "centre", "edge", "rim", "open", "damped")  # "" where neither name nor decay tells


@dataclass(frozen=True)
class Cell:
    """Strokes of one drum that are alike in strength, kind and microphone.

    Attributes
    ----------
    session, drum, role, microphone : str, as in `Hit`
    strength : str, one of `STRENGTHS`
    stroke : str, one of `STROKES`
    hit_ids : tuple of int
    """

    session: str
    drum: str
    role: str
    strength: str
    stroke: str
    microphone: str
    hit_ids: tuple[int, ...]

    @property
    def n_hits(self) -> int:
        """How many strokes there are."""
        return len(self.hit_ids)
