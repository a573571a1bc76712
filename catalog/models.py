"""Records and enumerations that all packages share; field names state the unit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path


class Word(StrEnum):
    """A closed set of words; a member prints as its plain text, also inside a list."""

    __repr__ = str.__repr__


class Role(Word):
    """Which part of a drum kit a hit plays."""

    KICK = "kick"
    SNARE = "snare"
    SIDESTICK = "sidestick"
    CLAP = "clap"
    HAT_CLOSED = "hat_closed"
    HAT_PEDAL = "hat_pedal"
    HAT_OPEN = "hat_open"
    TOM = "tom"
    CRASH = "crash"
    RIDE = "ride"
    RIDE_BELL = "ride_bell"
    SPLASH = "splash"
    CHINA = "china"
    COWBELL = "cowbell"
    TAMBOURINE = "tambourine"
    SHAKER = "shaker"
    WOOD = "wood"
    CONGA_BONGO = "conga_bongo"
    TIMBALE_AGOGO = "timbale_agogo"
    OTHER = "other"


class RoleSource(Word):
    """Where the role of a hit comes from."""

    USER = "user"
    NAME = "name"  # of its file or folder
    SOUND = "sound"  # the shipped model
    EXAMPLE = "example"  # a similar hit whose role the user set


class Event(Word):
    """What a hit holds, if it is no single stroke."""

    STROKE = "stroke"
    ROLL = "roll"  # many strokes, each before the one before it has rung out
    SWELL = "swell"  # a cymbal that grows, a brush drawn over a head
    LOOP = "loop"  # a performance in a steady tempo
    VOICE = "voice"
    BUMP = "bump"  # a stand or a cable that was touched
    STICK_DROP = "stick drop"


class State(Word):
    """Where the file of a hit is, and whether the hit is in use."""

    HERE = "here"
    MISSING = "missing"  # the file no longer exists
    ASIDE = "aside"  # the file was moved away by `set_aside`
    HIDDEN = "hidden"  # the file is not moved, but the hit is left out of all lists
    OUTSIDE = "outside"  # a file that was searched from and is not in the store


class Mark(Word):
    """The mark that the user gave to a hit, in the words of a take sheet."""

    NONE = ""
    MASTER = "master"  # the one to use
    SPARE = "spare"  # good, in reserve
    NO_GOOD = "no-good"  # left out of searches, kits, exports and the map unless it is asked for


class Action(Word):
    """A change of a hit, as recorded in the history."""

    SET_ASIDE = "set aside"
    RESTORE = "restore"
    HIDE = "hide"
    UNHIDE = "unhide"
    ROLE = "role"
    CUT = "cut"
    SIDES = "sides"
    SESSION = "session"
    NAME = "name"


class Verdict(Word):
    """Whether two hits are copies of one recording."""

    COPY = "copy"
    UNSURE = "not sure"
    OTHER = "no"


class Certainty(Word):
    """How certain it is that two hits are copies of one recording."""

    CERTAIN = "certain"  # equal bytes, the user's word, or samples that no other stroke could have
    LIKELY = "likely"  # above the limit from which the classifier says "copy"
    DOUBT = "doubt"  # the classifier is not sure


ROLES = tuple(Role)
UNSURE_CONFIDENCE = 0.6  # confidence of a role below which the user should check it
EVENTS = tuple(Event)
NOISES = (Event.VOICE, Event.BUMP, Event.STICK_DROP)  # no strokes at all; left out of lists
MARKS = tuple(Mark)
MARK_RANK = {Mark.MASTER: 0, Mark.SPARE: 1, Mark.NONE: 2, Mark.NO_GOOD: 3}  # the best first
STATES = (State.HERE, State.MISSING, State.ASIDE, State.HIDDEN)  # of the hits in a store


@dataclass(frozen=True)
class Microphone:
    """One microphone of a stroke.

    Attributes
    ----------
    hit_id : int, the hit that holds its measurements
    name : str, such as "OH"; "" if unknown
    path : Path, absolute
    channels : tuple of int, channels of the file, counted from 1; () for all
    delay_samples : float or None
        how much later the sound arrives than at the stroke's earliest microphone, in frames of its
        file, at least 0; None if it was not measured
    polarity : int or None
        1 if equal to that of the earliest microphone, -1 if opposite; None if not measured
    level_db : float or None
        loudness below the stroke's loudest microphone, dB, at most 0; None if not measured
    spread_samples : float or None
        standard deviation of the delay over the strokes of the take, in frames
    """

    hit_id: int
    name: str
    path: Path
    channels: tuple[int, ...] = ()
    delay_samples: float | None = 0.0
    polarity: int | None = 1
    level_db: float | None = 0.0
    spread_samples: float | None = None


@dataclass(frozen=True)
class Hit:
    """One stroke through one microphone, in a file or a region of it, with its measurements.

    A stroke recorded by several microphones is one hit in all lists, that of the microphone that
    stands for it; `microphones` lists them all.

    Attributes
    ----------
    id : int, stable for the life of the store; unaffected by moves and changes of the file
    path : Path, absolute; where the file is, or was at the last scan that found it
    start, stop : int, the stroke within the file, frames at `sr`; `stop` is exclusive
    sr : int, Hz
    session, drum, microphone, take : str
        where it comes from; "" if unknown. `drum` is the name shared by the strokes of one drum
    role_confidence : float, 0 to 1; 1.0 if the user set it
    descriptors : mapping of str to float
        see `catalog.features.descriptors.table`; NaN where a descriptor is not defined
    container, subtype : str, as libsndfile names them, such as "WAV" and "PCM_24"
    content_hash : str, hex SHA-256 of the whole file
    note : str, free text found in the file
    mark : Mark, given by the user; `Mark.NONE` if not marked
    tags : tuple of str, given by the user, in alphabetical order
    remark : str, free text of the user
    region : int
        0 if the file is one finished hit; else the number of this stroke in its take, which
        stays the same when the regions of the take change
    session_source : str
        where `session` comes from: "user", "file" (written in it), "folder", with " and date"
        if one name held several days; "" in hits of older stores
    origin : mapping of str to str
        what the recorder wrote into the file, see `catalog.library.metadata.filename`
    mate : Path or None
        the right channel's file if two mono files are one stereo hit; `path` is then the left
        channel's, and `content_hash` is that of both files, one after the other
    scanned_utc : str
        when a scan first found the hit, ISO 8601 in UTC; "" in hits of older stores
    exported : bool
        the file is one of an exported kit, so that it is a copy of another recording
    names : mapping of str to str
        "drum", "microphone" and "damping" as the user gave them; `drum` and `microphone` then are
        these
    channels : tuple of int
        channels of the file that are this microphone, counted from 1; () for all
    tied : tuple of Microphone
        all microphones of the stroke, the one that stands for it first; () if there is one
    event : Event
        what the hit holds, as the user gave it or as it was judged by its sound
    tempo_bpm : float or None, beats per minute of a loop
    n_strokes : int or None, number of strokes of a loop
    heard_lkfs : float or None
        strength estimated from timbre, LKFS, see `catalog.search.drums.strength`; None if the level
        shows it or it was not estimated
    """

    id: int
    path: Path
    start: int
    stop: int
    sr: int
    n_channels: int
    session: str
    drum: str
    microphone: str
    take: str
    role: Role
    role_confidence: float
    role_source: RoleSource
    descriptors: Mapping[str, float] = field(repr=False)
    container: str
    subtype: str
    content_hash: str = field(repr=False)
    state: State = State.HERE
    note: str = ""
    mark: Mark = Mark.NONE
    tags: tuple[str, ...] = ()
    remark: str = ""
    region: int = 0
    session_source: str = ""
    origin: Mapping[str, str] = field(default_factory=dict, repr=False)
    mate: Path | None = None
    scanned_utc: str = ""
    exported: bool = False
    names: Mapping[str, str] = field(default_factory=dict)
    channels: tuple[int, ...] = ()
    tied: tuple[Microphone, ...] = field(default=(), repr=False)
    heard_lkfs: float | None = None
    event: Event = Event.STROKE
    tempo_bpm: float | None = None
    n_strokes: int | None = None

    @property
    def microphones(self) -> tuple[Microphone, ...]:
        """All microphones of the stroke, the one that stands for it first."""
        return self.tied or (Microphone(self.id, self.microphone, self.path, self.channels),)

    @property
    def stroke(self) -> int:
        """Id of the hit that stands for the stroke; its own id if it is this one."""
        return self.tied[0].hit_id if self.tied else self.id

    @property
    def span(self) -> tuple[int, int, tuple[int, ...]]:
        """The part of the file that is this hit: first frame, frame after the last, channels."""
        return self.start, self.stop, self.channels

    @property
    def span_text(self) -> str:
        """The `span` as text for keys: "480:9600", with ":1,2" if it does not use all channels."""
        part = f"{self.start}:{self.stop}"
        return f"{part}:{','.join(map(str, self.channels))}" if self.channels else part

    @property
    def strength_lkfs(self) -> float:
        """Strength of the stroke: as estimated, else its loudness as recorded; -inf if unknown."""
        if self.heard_lkfs is not None:
            return self.heard_lkfs
        loudness = float(self.descriptors.get("loudness_lkfs", math.nan))
        return loudness if math.isfinite(loudness) else -math.inf

    @property
    def played_lkfs(self) -> float:
        """Loudness over two loudspeakers: a mono file plays from both, 3 dB louder."""
        return self.descriptors.get("loudness_lkfs", math.nan) + (
            3.01 if self.n_channels == 1 else 0.0
        )

    @property
    def name(self) -> str:
        """The `stem`, with the region number for a stroke of a take."""
        return stroke_name(self.path, self.mate, self.region)

    @property
    def stem(self) -> str:
        """The file name without its extension, or the part that both channels have in common."""
        return stroke_name(self.path, self.mate, 0)

    @property
    def files(self) -> tuple[Path, ...]:
        """The file of the hit, or the files of both channels."""
        return (self.path,) if self.mate is None else (self.path, self.mate)


def stroke_name(path: Path, mate: Path | None, region: int) -> str:
    """Return `Hit.name` of a file, the right channel's file or None, and a region."""
    stem = path.stem if mate is None else _common_name(path, mate)
    return f"{stem} #{region}" if region else stem


def _common_name(left: Path, right: Path) -> str:
    """Return what two names share besides the channel: "snare 01" of "snare 01 L" and "... R"."""
    pairs = zip(left.stem, right.stem, strict=False)
    at = sum(1 for _ in itertools.takewhile(lambda pair: pair[0] == pair[1], pairs))
    for l_word, r_word in (("left", "right"), ("l", "r")):
        l_end, r_end = at + len(l_word), at + len(r_word)
        found = left.stem[at:l_end].casefold(), right.stem[at:r_end].casefold()
        if found == (l_word, r_word) and left.stem[l_end:] == right.stem[r_end:]:
            common = left.stem[:at] + left.stem[l_end:]
            return common.replace("()", "").strip(" _.-") or left.stem
    return left.stem  # joined by the user: the name of the left channel is used for both
