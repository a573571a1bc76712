"""What is missing in the recordings, as sentences, to plan the next recording session."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from catalog.library.metadata.roles import split_words

STRENGTHS = ("soft", "middle", "full")
STROKE_KINDS = ("", "centre", "edge", "rim", "open", "damped")  # "" where it is unknown
MIN_ROUND_ROBIN = 3  # strokes of one strength, so that none repeats at once: common practice
MIN_STROKES = 3  # of a drum; fewer are not a recording of a drum
USUAL_ROLES = (  # of a kit: common practice, no source
    "kick", "snare", "hat_closed", "hat_open", "tom", "crash", "ride",
)  # fmt: skip
TWO_DRUM_ROLES = ("conga_bongo", "timbale_agogo")  # either of two instruments
NUMBERS = ("no", "one", "two")  # below `MIN_ROUND_ROBIN`
ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
STRENGTH_WORDS = {"soft": "soft", "middle": "middling", "full": "full"}

DrumKey = tuple[str, str, str]  # role, session, drum


@dataclass(frozen=True)
class CoverageBin:
    """Strokes of one drum that share strength, kind of stroke and microphone."""

    session: str
    drum: str
    role: str
    strength: str  # one of `STRENGTHS`
    stroke: str  # one of `STROKE_KINDS`
    microphone: str
    hit_ids: tuple[int, ...]

    @property
    def n_hits(self) -> int:
        """Number of strokes."""
        return len(self.hit_ids)


@dataclass(frozen=True)
class Gap:
    """Something that has not been recorded."""

    words: str  # a sentence without its full stop
    kind: str  # "role", "strength", "round robin" or "microphone"
    session: str  # "" where a whole role is missing
    drum: str
    role: str


def find_gaps(bins: Sequence[CoverageBin]) -> list[Gap]:
    """Find what is missing: whole roles first, then drum by drum.

    The bins of one drum stand one after another.
    """
    drums: dict[DrumKey, list[CoverageBin]] = defaultdict(list)
    for b in bins:
        drums[b.role, b.session, b.drum].append(b)
    roles = {role for role, _, _ in drums}
    gaps = [
        Gap(f"no {plain_role(role)} at all", "role", "", "", role)
        for role in USUAL_ROLES
        if roles and role not in roles
    ]
    names = name_drums(drums)
    for key, of_drum in drums.items():
        role, session, drum = key
        counts = _count_strokes(of_drum)
        if sum(counts.values()) >= MIN_STROKES:
            gaps += [
                Gap(words, kind, session, drum, role)
                for kind, found in (
                    ("strength", _missing_strengths(counts, names[key])),
                    ("round robin", _short_round_robins(counts, names[key])),
                    ("microphone", _missing_microphones(of_drum, names[key])),
                )
                for words in found
            ]
    return gaps


def _ordinal(n: int) -> str:
    """Return "11th", "21st", "22nd", "23rd", ..."""
    endings = {} if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}
    return f"{n}{endings.get(n % 10, 'th')}"


def name_drums(keys: Iterable[DrumKey]) -> dict[DrumKey, str]:
    """Name drums in words: "Snare brass (loft)", "brass (snare, loft)", or "the second snare"."""
    nameless: dict[str, list[DrumKey]] = defaultdict(list)
    names = {}
    for key in keys:
        role, session, drum = key
        if drum:
            has_role = set(plain_role(role).split()) <= set(split_words(drum))
            place = ", ".join(
                part for part in ("" if has_role else plain_role(role), session) if part
            )
            names[key] = f"{drum} ({place})" if place else drum
        else:
            nameless[role].append(key)
    for role, same in nameless.items():
        for i, key in enumerate(same):
            ordinal = f"{ORDINALS[i] if i < len(ORDINALS) else _ordinal(i + 1)} "
            which = f"{ordinal if len(same) > 1 else ''}{plain_role(role)}"
            names[key] = f"the {which} ({key[1]})" if key[1] else f"the {which}"
    return names


def plain_role(role: str) -> str:
    """Return a role in words: "closed hat" for "hat_closed"."""
    first, _, rest = role.partition("_")
    if first == "hat" and rest:
        return f"{rest} hat"
    return " or ".join((first, rest)) if role in TWO_DRUM_ROLES else role.replace("_", " ")


def _missing_strengths(counts: dict[tuple[str, str], int], name: str) -> list[str]:
    strengths = {strength for _, strength in counts}
    missing = [STRENGTH_WORDS[s] for s in STRENGTHS if s not in strengths]
    return [f"no {' or '.join(missing)} strokes of {name}"] if missing else []


def _short_round_robins(counts: dict[tuple[str, str], int], name: str) -> list[str]:
    """Return a sentence on strengths with few strokes; a kind that all strokes have is left out."""
    several = len({kind for kind, _ in counts}) > 1
    parts = [
        f"{NUMBERS[n]} {f'{kind} ' if kind and several else ''}{'stroke' if n == 1 else 'strokes'}"
        f" at {STRENGTH_WORDS[strength]}"
        for (kind, strength), n in counts.items()
        if n < MIN_ROUND_ROBIN
    ]
    if not parts:
        return []
    text = " and ".join([", ".join(parts[:-1]), parts[-1]] if len(parts) > 1 else parts)
    return [f"{name} has {text} strength; a round robin needs three or more"]


def _missing_microphones(bins: Sequence[CoverageBin], name: str) -> list[str]:
    counts: dict[str, int] = defaultdict(int)
    for b in bins:
        counts[b.microphone] += b.n_hits
    most = max(counts.values())
    return [
        f"{name}: {most - n} of {most} strokes are missing in {microphone}"
        for microphone, n in sorted(counts.items())
        if n < most and microphone
    ]


def _count_strokes(bins: Sequence[CoverageBin]) -> dict[tuple[str, str], int]:
    """Count strokes by kind and strength; one recorded by several microphones counts once."""
    counts: dict[tuple[str, str], int] = {}
    for b in bins:
        key = (b.stroke, b.strength)
        counts[key] = max(counts.get(key, 0), b.n_hits)
    return counts
