"""The five sessions: person, place, date, microphones, and the strokes that were played.

All people and places are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from demo_library.maker.room import Microphone, Room

STRENGTH = {"ghost": 0.1, "soft": 0.28, "medium": 0.58, "hard": 0.96}


@dataclass(frozen=True)
class Series:
    """One drum played several times."""

    instrument: str  # key of `INSTRUMENTS`
    drum: str  # its name in file names
    strengths: tuple[str, ...]  # keys of `STRENGTH`, soft to hard
    n_strokes: int  # of each strength
    length_s: float  # of a finished hit at full strength
    microphones: tuple[str, ...]  # names in the session
    folder: str = ""  # below the folder of the session; "" for that folder itself


@dataclass(frozen=True)
class HitName:
    """The facts from which a file name is made."""

    series: Series
    strength: str
    stroke: int  # 1 ... within its strength
    number: int  # 1 ... within the drum, soft to hard
    take: int  # 1 ... within the session
    microphone: str


@dataclass(frozen=True)
class Session:
    """One session."""

    name: str
    person: str
    date: str  # as 2022-04-09
    clock: str  # start, as 14:05:00
    folder: str  # in the library
    room: Room
    sr: int
    container: str  # "WAV" or "FLAC"
    subtype: str
    recorder: str  # originator in the bext chunk; without one no Broadcast Wave
    microphones: dict[str, tuple[Microphone, ...]]  # one capsule each (mono) or two (stereo)
    peak_db: tuple[float, float]  # dBFS, range of the peak of each drum's loudest stroke
    name_file: Callable[[HitName], str]
    series: tuple[Series, ...]


def boathouse_name(named: HitName) -> str:
    return f"{named.series.drum}_{named.number:02d}_{named.microphone}.wav"


def barn_name(named: HitName) -> str:
    return f"{named.series.drum} {named.strength} {named.stroke}.wav"


def kitchen_name(named: HitName) -> str:
    if named.series.folder.endswith("18"):
        return f"REC{named.take + 11:04d}.WAV"
    return f"{named.series.drum} {named.strength} {named.stroke}.wav"


def chapel_name(named: HitName) -> str:
    mark = {"ghost": "pp", "soft": "p", "medium": "mf", "hard": "ff"}[named.strength]
    return f"{named.series.drum}_{mark}_{named.stroke}_{named.microphone}.flac"


def loft_name(named: HitName) -> str:
    layer = named.series.strengths.index(named.strength) + 1
    return f"240316_{named.series.drum}_v{layer}_rr{named.stroke}.flac"


SOFT_HARD = ("soft", "hard")
THREE = ("soft", "medium", "hard")
CLOSE = Microphone(
    "close", 0.09, (0.5, 0.0, 0.9), low_db=4.0, high_db=1.5, part_gains={"wires": 0.6}
)
OVERHEAD = Microphone("oh", 1.15, (0.2, 0.3, 1.0), high_db=2.5, low_cut_hz=60.0, level_db=-3.0)
BOOM = Microphone(
    "room", 3.4, (1.0, 0.6, 0.25), low_db=1.0, high_db=-3.5, high_cut_hz=14_000.0, level_db=-6.0
)

BOATHOUSE = Session(
    name="Vellanby boathouse", person="Ilke Marrowdell", date="2022-04-09", clock="14:05:00",
    folder="vellanby_boathouse",
    room=Room((7.2, 5.1, 3.1), (0.55, 0.48, 0.36), 0.62, -80.0, 0.0, seed=101),
    sr=48_000, container="WAV", subtype="PCM_24", recorder="Boathouse desk recorder",
    microphones={"close": (CLOSE,), "oh": (OVERHEAD,), "room": (BOOM,)},
    peak_db=(-10.0, -6.0), name_file=boathouse_name,
    series=(
        Series("boathouse kick", "Kick", THREE, 3, 0.30, ("close", "room"), "Kick"),
        Series("boathouse snare", "Snare", THREE, 3, 0.25, ("close", "oh", "room"), "Snare"),
        Series("boathouse rack tom", "Tom1", SOFT_HARD, 2, 0.46, ("close", "oh"), "Tom1"),
        Series("boathouse floor tom", "Tom2", SOFT_HARD, 2, 0.5, ("close", "oh"), "Tom2"),
    ),
)  # fmt: skip

BARN = Session(
    name="Murrinholt barn", person="Tobin Quarrish", date="2022-11-05", clock="10:30:00",
    folder="Murrinholt barn 2022-11",
    room=Room((14.0, 8.0, 6.0), (1.0, 0.85, 0.5), 0.7, -76.0, 50.0, seed=202),
    sr=44_100, container="WAV", subtype="FLOAT", recorder="",
    microphones={
        "spot": (Microphone("spot", 0.25, (0.6, 0.1, 0.8), low_db=2.0, high_db=3.0, hiss_db=-79.0),)
    },
    peak_db=(-4.0, 3.5), name_file=barn_name,
    series=(
        Series("barn felt", "BD felt", SOFT_HARD, 2, 0.32, ("spot",)),
        Series("barn wood", "BD wood", SOFT_HARD, 2, 0.32, ("spot",)),
        Series("barn brass", "SN brass", ("ghost", *THREE), 3, 0.28, ("spot",)),
        Series("barn brass towel", "SN brass towel", SOFT_HARD, 3, 0.20, ("spot",)),
        Series("barn rim click", "rim click", ("medium", "hard"), 2, 0.14, ("spot",)),
        Series("barn hats", "HH closed", THREE, 3, 0.13, ("spot",)),
        Series("barn hats half", "HH half open", SOFT_HARD, 2, 0.38, ("spot",)),
        Series("barn pedal", "HH pedal", ("medium",), 4, 0.15, ("spot",)),
    ),
)  # fmt: skip

HAND = {
    "low_cut_hz": 70.0, "high_cut_hz": 16_500.0, "high_db": 2.0, "hiss_db": -71.0, "reverb": 0.7,
}  # fmt: skip
KITCHEN = Session(
    name="Kitchen at Fennimarsh", person="Wenna Ottersby", date="2023-02-18", clock="16:20:00",
    folder="handheld",
    room=Room((4.1, 3.2, 2.5), (0.42, 0.55, 0.5), 0.82, -68.0, 0.0, seed=303),
    sr=44_100, container="WAV", subtype="PCM_16", recorder="Handheld recorder",
    microphones={
        "handheld": (
            Microphone("handheld L", 0.55, (0.9, -0.25, 0.5), **HAND),
            Microphone("handheld R", 0.60, (0.9, 0.25, 0.5), **HAND, level_db=-1.0),
        )
    },
    peak_db=(-12.0, -7.0), name_file=kitchen_name,
    series=(
        Series("pot lid", "pot lid", SOFT_HARD, 2, 0.62, ("handheld",), "2023-02-18"),
        Series("spoon on table", "spoon table", THREE, 2, 0.22, ("handheld",), "2023-02-18"),
        Series("jar of rice", "rice jar", ("medium", "hard"), 3, 0.2, ("handheld",), "2023-02-18"),
        Series("pot lid held", "pot lid held", SOFT_HARD, 2, 0.2, ("handheld",), "2023-02-19"),
        Series("chopping board", "chopping board", SOFT_HARD, 2, 0.2, ("handheld",), "2023-02-19"),
        Series("bottle", "bottle", ("medium", "hard"), 2, 0.3, ("handheld",), "2023-02-19"),
        Series("cardboard box", "cardboard box", SOFT_HARD, 3, 0.24, ("handheld",), "2023-02-19"),
        Series("biscuit tin", "biscuit tin", SOFT_HARD, 2, 0.26, ("handheld",), "2023-02-19"),
    ),
)  # fmt: skip

CHAPEL = Session(
    name="Ostrifold chapel", person="Pell Sandrake", date="2023-09-23", clock="19:10:00",
    folder="ostrifold-chapel",
    room=Room((17.0, 8.5, 8.0), (2.4, 2.0, 1.1), 0.75, -74.0, 0.0, seed=404),
    sr=44_100, container="FLAC", subtype="PCM_16", recorder="",
    microphones={
        "spot": (Microphone("spot", 0.45, (0.2, 0.3, 0.9), low_cut_hz=90.0, hiss_db=-82.0),),
        "hall": (Microphone("hall", 5.0, (1.0, 0.1, 0.3), high_db=-2.0, level_db=-5.0),),
    },
    peak_db=(-11.0, -6.0), name_file=chapel_name,
    series=(
        Series("crash", "crash", THREE, 2, 1.55, ("spot", "hall")),
        Series("crash taped", "crash_taped", ("hard",), 2, 0.9, ("spot",)),
        Series("ride", "ride", THREE, 2, 1.8, ("spot",)),
        Series("ride bell", "ridebell", ("medium", "hard"), 2, 1.5, ("spot",)),
        Series("splash", "splash", ("medium", "hard"), 2, 0.9, ("spot",)),
        Series("china", "china", ("soft", "hard"), 2, 1.3, ("spot",)),
        Series("chapel hats open", "hho", THREE, 2, 0.8, ("spot",)),
    ),
)  # fmt: skip

LOFT = Session(
    name="Loft over Crumbeck dairy", person="Juno Habbakray", date="2024-03-16", clock="20:45:00",
    folder="loft_2024",
    room=Room((5.0, 3.6, 2.2), (0.3, 0.22, 0.17), 0.45, -79.0, 0.0, seed=505),
    sr=48_000, container="FLAC", subtype="PCM_24", recorder="",
    microphones={
        "spot": (Microphone("spot", 0.3, (0.4, 0.4, 0.8), low_db=1.0, hiss_db=-76.0),)
    },
    peak_db=(-12.0, -6.5), name_file=loft_name,
    series=(
        Series("loft kick", "kick", THREE, 2, 0.25, ("spot",)),
        Series("loft snare", "snare", THREE, 3, 0.24, ("spot",)),
        Series("loft hats", "hhc", THREE, 3, 0.11, ("spot",)),
        Series("loft hats open", "hho", SOFT_HARD, 2, 0.45, ("spot",)),
        Series("loft pedal", "hhp", ("medium",), 3, 0.13, ("spot",)),
        Series("loft tom", "tom", THREE, 2, 0.38, ("spot",)),
        Series("claps", "clap", ("medium", "hard"), 2, 0.2, ("spot",)),
        Series("cowbell", "cowbell", SOFT_HARD, 2, 0.35, ("spot",)),
        Series("tambourine", "tamb", SOFT_HARD, 3, 0.28, ("spot",)),
        Series("beads", "shaker", SOFT_HARD, 3, 0.18, ("spot",)),
        Series("wood block", "woodblock", SOFT_HARD, 2, 0.15, ("spot",)),
        Series("hand drum", "conga", THREE, 2, 0.35, ("spot",)),
        Series("metal timbale", "timbale", SOFT_HARD, 2, 0.4, ("spot",)),
        Series("agogo", "agogo", SOFT_HARD, 2, 0.36, ("spot",)),
    ),
)  # fmt: skip

SESSIONS: tuple[Session, ...] = (BOATHOUSE, BARN, KITCHEN, CHAPEL, LOFT)
