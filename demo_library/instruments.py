"""The instruments of the demo library, as parameters of the models in `maker`.

Pitches, decays and contact times were set by ear and by comparing their ranges with real strokes;
no existing drum was measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from demo_library.maker.cymbal import Cymbal, play_cymbal, press_pedal
from demo_library.maker.membrane import Drum, play_drum
from demo_library.maker.modes import Stroke
from demo_library.maker.rattle import Grains, Wires, rattle_wires, throw_grains
from demo_library.maker.solid import FREE_BAR, Solid, clap_hands, play_solid

Parts = dict[str, np.ndarray]


@dataclass(frozen=True)
class Instrument:
    """An instrument: its role, its model, and the range of positions where it is struck."""

    role: str
    play: Callable[..., Parts]
    position: tuple[float, float] = (0.1, 0.4)


def play_snare(drum: Drum, wires: Wires, stroke: Stroke, *, length_s: float, sr: int) -> Parts:
    """Play a snare drum: "body", "click" and "wires"."""
    parts = play_drum(drum, stroke, length_s=length_s, sr=sr)
    return parts | {"wires": rattle_wires(wires, parts["body"], stroke, sr=sr)}


def play_grains(grains: Grains, stroke: Stroke, *, length_s: float, sr: int) -> Parts:
    """Play a shaker or jingles: "body"."""
    return {"body": throw_grains(grains, stroke, length_s=length_s, sr=sr)}


def play_rim(drum: Drum, rim: Solid, stroke: Stroke, *, length_s: float, sr: int) -> Parts:
    """Play a rim click, the stick lying across the drum: "body" and "click"."""
    head = play_drum(drum, replace(stroke, position=0.9), length_s=length_s, sr=sr)
    parts = play_solid(rim, stroke, length_s=length_s, sr=sr)
    return {"body": parts["body"] + 0.15 * head["body"], "click": parts["click"]}


def make_drum(
    *, role: str, position: tuple[float, float] = (0.1, 0.4), **parameters: float
) -> Instrument:
    """Return a drum without wires."""
    return Instrument(role, partial(play_drum, Drum(**parameters)), position)  # type: ignore[arg-type]


def make_snare(body: Drum, *, level: float, tight: float) -> Instrument:
    """Return a drum with snare wires."""
    return Instrument("snare", partial(play_snare, body, Wires(level, tight)), (0.05, 0.35))


def make_solid(role: str, solid: Solid) -> Instrument:
    """Return a bar, pot, box or block."""
    return Instrument(role, partial(play_solid, solid), (0.1, 0.9))


WOOD_SNARE = Drum(
    192.0, 0.42, 0.0011, sharp=0.05, click=0.16, shell_hz=420.0, damping_hz=700.0, air_load=0.6
)
BRASS_SNARE = Drum(
    214.0, 0.62, 0.0008, sharp=0.04, click=0.22, shell_hz=655.0, damping_hz=1100.0, air_load=0.5
)
SMALL_SNARE = Drum(
    266.0, 0.34, 0.0008, sharp=0.035, click=0.22, shell_hz=520.0, damping_hz=900.0, air_load=0.5
)
HATS = Cymbal(
    31, 21.0, 0.16, 0.25, wash=0.9, rise_s=0.004, contact_s=0.00025, ping=0.10, lowest_hz=330.0
)
CRASH = Cymbal(
    17, 17.0, 5.5, 0.55, wash=9.0, rise_s=0.014,
    contact_s=0.0006, ping=0.05, lowest_hz=120.0, tilt=-0.85,
)  # fmt: skip
RIDE = Cymbal(
    20, 15.0, 9.0, 0.40, wash=0.7, rise_s=0.012,
    contact_s=0.00016, ping=1.6, lowest_hz=210.0, tilt=-0.35,
)  # fmt: skip
SPLASH = replace(CRASH, seed=8, spacing_hz=42.0, t60_s=1.7, rise_s=0.005, lowest_hz=420.0)
CHINA = replace(CRASH, seed=55, t60_s=2.6, fall=0.35, wash=14.0, rise_s=0.022, sizzle=0.5)
CHAPEL_HATS = replace(HATS, seed=32, t60_s=2.0, fall=0.3, wash=2.2, rise_s=0.009, sizzle=0.9)
LOFT_HATS = replace(HATS, seed=77, spacing_hz=26.0, t60_s=0.11, lowest_hz=410.0)
LID = (1.0, 1.52, 2.31, 3.18, 3.97, 5.02, 6.4, 7.9, 9.6, 11.8)
BELL = (1.0, 1.48, 2.41, 3.06, 4.14, 5.7, 7.3)
CUP = (742.0, 1690.0, 2630.0, 4120.0)  # Hz
TABLE = (1.0, 1.6, 2.7, 4.3, 6.6, 9.9)
COWBELL = (1.0, 1.51, 2.73, 4.06, 5.5)
BOX = (1.0, 1.37, 1.82, 2.2, 2.9, 3.6, 4.7)

INSTRUMENTS: dict[str, Instrument] = {
    "boathouse kick": make_drum(
        role="kick", position=(0.02, 0.18), pitch_hz=54.0, t60_s=0.75, contact_s=0.0042,
        beater=0.14, damping_hz=150.0, sharp=0.10, click=0.3, hole=0.25, wander=0.3,
    ),
    "boathouse snare": make_snare(WOOD_SNARE, level=0.16, tight=0.55),
    "boathouse rack tom": make_drum(
        role="tom", pitch_hz=124.0, t60_s=1.5, contact_s=0.0019, damping_hz=330.0, sharp=0.05,
        click=0.15,
    ),
    "boathouse floor tom": make_drum(
        role="tom", pitch_hz=79.0, t60_s=1.9, contact_s=0.0025, damping_hz=260.0, sharp=0.07,
        click=0.13,
    ),
    "barn felt": make_drum(
        role="kick", position=(0.02, 0.2), pitch_hz=47.0, t60_s=0.9, contact_s=0.0055,
        beater=0.17, damping_hz=110.0, sharp=0.08, click=0.09, wander=0.2,
    ),
    "barn wood": make_drum(
        role="kick", position=(0.02, 0.2), pitch_hz=47.0, t60_s=0.85, contact_s=0.0024,
        beater=0.09, damping_hz=170.0, sharp=0.09, click=0.35, wander=0.2,
    ),
    "barn brass": make_snare(BRASS_SNARE, level=0.24, tight=0.4),
    "barn brass towel": make_snare(
        replace(BRASS_SNARE, t60_s=0.16, damping_hz=420.0, click=0.12), level=0.16, tight=0.75
    ),
    "barn rim click": Instrument(
        "sidestick",
        partial(
            play_rim, BRASS_SNARE,
            Solid(1180.0, (1.0, 1.46, 2.21, 2.86, 3.9), 0.11, 0.00035, knock=0.25, seed=4),
        ),
        (0.2, 0.8),
    ),
    "barn hats": Instrument("hat_closed", partial(play_cymbal, HATS), (0.5, 0.95)),
    "barn hats half": Instrument(
        "hat_open", partial(play_cymbal, replace(HATS, t60_s=0.75, sizzle=1.4)), (0.6, 0.95)
    ),
    "barn pedal": Instrument("hat_pedal", partial(press_pedal, replace(HATS, t60_s=0.2)), (0, 1)),
    "pot lid": make_solid("other", Solid(612.0, LID, 2.4, 0.0007, loss=0.6, twin=0.0021, seed=5)),
    "pot lid held": make_solid(
        "other",
        Solid(625.0, LID, 0.16, 0.0008, loss=0.4, knock=0.2, seed=5, wander=0.008),
    ),
    "jar of rice": Instrument(
        "shaker",
        partial(play_grains, Grains((3150.0, 5400.0, 8100.0), 0.012, 0.055, 0.022, 2600.0)),
    ),
    "spoon on table": make_solid(
        "wood",
        Solid(205.0, TABLE, 0.14, 0.0012, knock=0.4, seed=6, wander=0.012),
    ),
    "chopping board": make_solid(
        "wood", Solid(655.0, FREE_BAR, 0.13, 0.0006, knock=0.3, seed=7, wander=0.008)
    ),
    "bottle": make_solid(
        "other", Solid(1480.0, (1.0, 1.94, 2.83, 4.4, 5.9), 0.55, 0.0003, twin=0.003, seed=8)
    ),
    "cardboard box": make_solid(
        "other",
        Solid(
            83.0, BOX, 0.2, 0.005, knock=0.08, knock_hz=(250.0, 3000.0), seed=9, wander=0.015
        ),
    ),
    "biscuit tin": make_solid(
        "other",
        Solid(
            340.0, LID, 0.35, 0.0009, loss=0.35, twin=0.006, knock=0.4, seed=10, wander=0.006
        ),
    ),
    "crash": Instrument("crash", partial(play_cymbal, CRASH), (0.8, 1.0)),
    "crash taped": Instrument(
        "crash", partial(play_cymbal, replace(CRASH, t60_s=1.3, wash=6.0)), (0.8, 1.0)
    ),
    "ride": Instrument("ride", partial(play_cymbal, RIDE), (0.35, 0.6)),
    "ride bell": Instrument(
        "ride_bell",
        partial(
            play_cymbal,
            replace(RIDE, wash=0.3, ping=0.6, contact_s=0.0003, bell=CUP),
        ),
        (0.05, 0.15),
    ),
    "splash": Instrument("splash", partial(play_cymbal, SPLASH), (0.7, 1.0)),
    "china": Instrument("china", partial(play_cymbal, CHINA), (0.8, 1.0)),
    "chapel hats open": Instrument("hat_open", partial(play_cymbal, CHAPEL_HATS), (0.6, 0.95)),
    "loft kick": make_drum(
        role="kick", position=(0.02, 0.25), pitch_hz=62.0, t60_s=0.34, contact_s=0.0028,
        beater=0.1, damping_hz=210.0, sharp=0.07, click=0.25,
    ),
    "loft snare": make_snare(SMALL_SNARE, level=0.26, tight=0.65),
    "loft hats": Instrument("hat_closed", partial(play_cymbal, LOFT_HATS), (0.5, 0.95)),
    "loft hats open": Instrument(
        "hat_open", partial(play_cymbal, replace(LOFT_HATS, t60_s=1.1, sizzle=1.2)), (0.6, 0.95)
    ),
    "loft pedal": Instrument(
        "hat_pedal", partial(press_pedal, replace(LOFT_HATS, t60_s=0.15)), (0, 1)
    ),
    "loft tom": make_drum(
        role="tom", pitch_hz=148.0, t60_s=0.8, contact_s=0.0017, damping_hz=420.0, sharp=0.05,
        click=0.16,
    ),
    "cowbell": make_solid(
        "cowbell",
        Solid(562.0, COWBELL, 0.5, 0.0005, loss=0.7, knock=0.25, seed=11, wander=0.006),
    ),
    "tambourine": Instrument(
        "tambourine",
        partial(
            play_grains,
            Grains((3900.0, 5650.0, 7480.0, 9300.0, 11_900.0), 0.09, 0.012, 0.035, 900.0, 0.15),
        ),
    ),
    "beads": Instrument(
        "shaker",
        partial(play_grains, Grains((5200.0, 8800.0, 12_000.0), 0.006, 0.07, 0.015, 5200.0, 0.9)),
    ),
    "wood block": make_solid(
        "wood",
        Solid(905.0, (1.0, 1.41, 2.33, 3.6), 0.09, 0.0005, knock=0.25, seed=12, wander=0.006),
    ),
    "claps": Instrument("clap", partial(clap_hands, n_hands=5)),
    "hand drum": make_drum(
        role="conga_bongo", position=(0.55, 0.85), pitch_hz=205.0, t60_s=0.45, contact_s=0.0032,
        beater=0.16, damping_hz=600.0, sharp=0.02, click=0.10,
    ),
    "metal timbale": make_drum(
        role="timbale_agogo", position=(0.2, 0.6), pitch_hz=255.0, t60_s=0.6, contact_s=0.0006,
        damping_hz=1400.0, shell_hz=830.0, click=0.12, sharp=0.03, air_load=0.3,
    ),
    "agogo": make_solid("timbale_agogo", Solid(928.0, BELL, 0.6, 0.0004, loss=0.6, seed=13)),
}  # fmt: skip
