"""A kit: the hits of its slots, their settings, and its form as JSON."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from catalog.errors import KitError
from catalog.kit.slots import find_slot

LEVEL_RANGE_DB = (-24.0, 12.0)  # of the user's own change; more is another place in the kit


TUNING_RANGE = 3.0  # semitones either way: further the drum itself seems to change; common practice


@dataclass(frozen=True)
class Kit:
    """Chosen hits.

    Attributes
    ----------
    name : str
    slots : mapping of slot name to hit ids, the main hit first, then its layers and round robins
    locked : frozenset of slot names that the user chose
    why : mapping of slot name to lines that say how the hit fits the others
    score : float, mean cost of a slot; 0 is ideal, lower fits better
    passed : mapping of slot name to hit ids that `swap_slot` has gone through
    level_db : mapping of slot name to dB that the user turns it up or down by
    tuning_semitones : mapping of slot name to how far the user tunes it
    arranged : mapping of slot name to layers, weakest first, each its hit ids in the order of the
        round robins; where a slot is missing its layers are cut by strength
    """

    name: str = "kit"
    slots: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    locked: frozenset[str] = frozenset()
    why: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    score: float = 0.0
    passed: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    level_db: Mapping[str, float] = field(default_factory=dict)
    tuning_semitones: Mapping[str, float] = field(default_factory=dict)
    arranged: Mapping[str, tuple[tuple[int, ...], ...]] = field(default_factory=dict)

    def with_level(self, slot: str, level_db: float) -> Kit:
        """The kit with one slot turned up or down against its usual place.

        Parameters
        ----------
        slot : str
        level_db : float, dB, within `LEVEL_RANGE_DB`; 0 takes the change back

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if the kit does not fill the slot or the level is out of range
        """
        low, high = LEVEL_RANGE_DB
        self._check_setting(slot, "level_db", level_db, low=low, high=high)
        return replace(self, level_db=_set(self.level_db, slot, level_db))

    def with_tuning(self, slot: str, semitones: float) -> Kit:
        """The kit with one slot tuned by playing it faster or slower.

        Parameters
        ----------
        slot : str
        semitones : float, within `TUNING_RANGE`; 0 takes the change back

        Returns
        -------
        Kit

        Raises
        ------
        KitError
            if the kit does not fill the slot or the tuning is out of range
        """
        self._check_setting(slot, "semitones", semitones, low=-TUNING_RANGE, high=TUNING_RANGE)
        return replace(self, tuning_semitones=_set(self.tuning_semitones, slot, semitones))

    def _check_setting(
        self, slot: str, name: str, value: float, *, low: float, high: float
    ) -> None:
        find_slot(slot)
        if not self.slots.get(slot):
            raise KitError(f"slot {slot} is empty: fill it before you set it", slot=slot)
        if not low <= value <= high:
            raise KitError(f"{name}={value} of {slot} must be {low:g} to {high:g}", slot=slot)

    def to_json(self) -> str:
        """Write the kit as JSON text."""
        parts = {
            "name": self.name,
            "slots": {name: list(ids) for name, ids in self.slots.items()},
            "locked": sorted(self.locked),
            "why": {name: list(lines) for name, lines in self.why.items()},
            "score": self.score,
            "passed": {name: list(ids) for name, ids in self.passed.items()},
            "level_db": dict(self.level_db),
            "tuning_semitones": dict(self.tuning_semitones),
            "arranged": {name: [list(ids) for ids in ls] for name, ls in self.arranged.items()},
        }
        return json.dumps(parts, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Kit:
        """Read what `to_json` wrote.

        Raises
        ------
        KitError
            if the text is no kit
        """
        try:
            parts = json.loads(text)
            return cls(
                name=str(parts["name"]),
                slots={k: tuple(int(i) for i in v) for k, v in parts["slots"].items()},
                locked=frozenset(str(k) for k in parts["locked"]),
                why={k: tuple(str(line) for line in v) for k, v in parts["why"].items()},
                score=float(parts["score"]),
                passed={k: tuple(int(i) for i in v) for k, v in parts.get("passed", {}).items()},
                level_db=_settings(parts.get("level_db", {}), *LEVEL_RANGE_DB),
                tuning_semitones=_settings(
                    parts.get("tuning_semitones", {}), -TUNING_RANGE, TUNING_RANGE
                ),
                arranged={
                    k: tuple(tuple(int(i) for i in ids) for ids in v)
                    for k, v in parts.get("arranged", {}).items()
                },
            )
        except (ValueError, KeyError, TypeError, AttributeError) as err:
            raise KitError(f"this text is no saved kit: {err}") from err


def _set(settings: Mapping[str, float], slot: str, value: float) -> dict[str, float]:
    kept = {name: known for name, known in settings.items() if name != slot}
    return kept | ({slot: float(value)} if value else {})


def _settings(parts: Mapping[str, object], low: float, high: float) -> dict[str, float]:
    """Settings as they were saved; what is out of range is brought to its edge."""
    return {
        str(slot): min(max(float(str(value)), low), high)
        for slot, value in parts.items()
        if float(str(value)) == float(str(value))
    }
