"""The pitches of the drums of some hits, from the strokes of these drums alone.

They equal those of `estimate_drum_pitches` over the whole library. Other drums matter only where a
far microphone would be chosen, because it may show a tone of the room; they are read only then.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from catalog.library.store.database import Database
from catalog.models import NOISES, Hit, State
from catalog.search.drums.drum_pitch import (
    FAR_CLASS,
    DrumPitch,
    Reading,
    find_room_tones,
    group_by_drum,
    pitches_of_strokes,
    read_microphones,
)

NO_STROKES = ", ".join(repr(event.value) for event in NOISES)
STROKES = f"""SELECT hit_id, session, drum, role, role_source, microphone, body_hz, mode_hz,
    mode_share FROM hit_search WHERE state = 'here' AND event NOT IN ({NO_STROKES})
    AND session = ? AND """
OF_DRUMS = STROKES + "drum IN (SELECT value FROM json_each(?)) ORDER BY hit_id"
OF_MICROPHONE = STROKES + "+microphone = ? AND drum != '' ORDER BY hit_id"


class StoredStroke(NamedTuple):
    """A stroke as the narrow table of hits has it, which is read in a fraction of the time."""

    id: int
    session: str
    drum: str
    role: str
    role_source: str
    microphone: str
    descriptors: Mapping[str, float]


class DrumPitches:
    """Pitches at one revision of the library; what was read once is kept."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: set[tuple[str, str]] = set()  # session and drum
        self._pitches: dict[int, DrumPitch] = {}
        self._room_tones: dict[tuple[str, str], set[Reading]] = {}  # by session and microphone

    def of(self, hits: Iterable[Hit]) -> dict[int, DrumPitch]:
        """Return the pitches of some present hits and of all strokes of their drums.

        Hits in another state, or called no strokes, have none. Others may be in the result too.
        """
        hits = [hit for hit in hits if hit.state == State.HERE and hit.event not in NOISES]
        _, alone = group_by_drum(hit for hit in hits if not hit.drum)
        self._pitches |= alone
        new = {(hit.session, hit.drum) for hit in hits if hit.drum} - self._known
        by_session: dict[str, list[str]] = {}
        for session, drum in sorted(new):
            by_session.setdefault(session, []).append(drum)
        for session, names in by_session.items():
            strokes, _ = group_by_drum(self._read(OF_DRUMS, session, json.dumps(names)))
            for of_drum in strokes.values():
                readings = read_microphones(of_drum)
                self._pitches |= pitches_of_strokes(of_drum, readings, self._is_room_tone)
        self._known |= new
        return self._pitches

    def _is_room_tone(self, reading: Reading) -> bool:
        if reading.pitch is None or reading.distance < FAR_CLASS:
            return False
        place = reading.drum[0], reading.microphone
        if place not in self._room_tones:
            drums, _ = group_by_drum(self._read(OF_MICROPHONE, *place))
            readings = (r for of_drum in drums.values() for r in read_microphones(of_drum))
            self._room_tones[place] = find_room_tones(readings)
        return reading in self._room_tones[place]

    def _read(self, sql: str, *values: Any) -> Sequence[StoredStroke]:
        return [
            StoredStroke(hit_id, session, drum, role, source, microphone, _numbers(*numbers))
            for hit_id, session, drum, role, source, microphone, *numbers in self._database.read(
                sql, values
            )
        ]


def _numbers(body: float | None, mode: float | None, share: float | None) -> dict[str, float]:
    """Return descriptors; those of older measurements lack the mode."""
    numbers = {"body_hz": math.nan if body is None else body}
    if share is not None:
        numbers |= {"mode_hz": math.nan if mode is None else mode, "mode_share": share}
    return numbers
