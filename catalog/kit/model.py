"""A kit: the hits of its slots and their settings, saved as JSON; the kits that use a hit."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, TypeVar

from catalog.errors import KitArgumentError, KitError
from catalog.kit.slots import find_slot

T = TypeVar("T")
LEVEL_RANGE_DB = (-24.0, 12.0)  # of the user's own level change; more is another balance
TUNING_RANGE = 3.0  # semitones up or down; beyond it a drum sounds unlike itself; common practice


@dataclass(frozen=True)
class Kit:
    """Hits chosen for slots; every mapping is by slot name.

    `slots` holds hit ids, the main hit first, then its layers and round robins; `passed` those that
    `swap_slot` replaced; `why` lines that explain how the main hit fits the others. `arranged`
    holds layers arranged manually, weakest first, each the hit ids of its round robins in playing
    order; other slots have their layers cut by strength.
    """

    name: str = "kit"
    slots: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    locked: frozenset[str] = frozenset()  # slots that the user chose
    why: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    score: float = 0.0  # mean cost of a slot; 0 is ideal, lower fits better
    passed: Mapping[str, tuple[int, ...]] = field(default_factory=dict)
    level_db: Mapping[str, float] = field(default_factory=dict)  # the user's changes
    tuning_semitones: Mapping[str, float] = field(default_factory=dict)
    arranged: Mapping[str, tuple[tuple[int, ...], ...]] = field(default_factory=dict)

    def with_level(self, slot: str, level_db: float) -> Kit:
        """Return the kit with one slot louder or softer by dB within `LEVEL_RANGE_DB`; 0 resets it.

        Raises
        ------
        KitError
            if the kit does not fill the slot or the level is out of range
        """
        low, high = LEVEL_RANGE_DB
        self._check_setting(slot, "level_db", level_db, low=low, high=high)
        return replace(self, level_db=_with_setting(self.level_db, slot, level_db))

    def with_tuning(self, slot: str, semitones: float) -> Kit:
        """Return the kit with one slot played faster or slower, up to `TUNING_RANGE`; 0 resets it.

        Raises
        ------
        KitError
            if the kit does not fill the slot or the tuning is out of range
        """
        self._check_setting(slot, "semitones", semitones, low=-TUNING_RANGE, high=TUNING_RANGE)
        return replace(self, tuning_semitones=_with_setting(self.tuning_semitones, slot, semitones))

    def _check_setting(
        self, slot: str, name: str, value: float, *, low: float, high: float
    ) -> None:
        find_slot(slot)
        if not self.slots.get(slot):
            raise KitArgumentError(
                f"slot {slot} is empty: fill it before changing its settings", slot=slot
            )
        if not low <= value <= high:
            raise KitArgumentError(
                f"{name}={value} of {slot} must be {low:g} to {high:g}", slot=slot
            )

    def to_json(self) -> str:
        """Write the kit as JSON text."""
        return json.dumps(asdict(self), ensure_ascii=False, default=sorted)  # sorts `locked`

    @classmethod
    def from_json(cls, text: str) -> Kit:
        """Read the text of `to_json`, also of earlier versions, and limit the settings to range.

        Raises
        ------
        KitError
            if the text is no kit
        """
        try:
            parts = json.loads(text)
            return cls(
                name=str(parts["name"]),
                slots=_id_tuples(parts["slots"]),
                locked=frozenset(map(str, parts["locked"])),
                why={slot: tuple(map(str, lines)) for slot, lines in parts["why"].items()},
                score=float(parts["score"]),
                passed=_id_tuples(parts.get("passed", {})),
                level_db=_limited(parts.get("level_db", {}), *LEVEL_RANGE_DB),
                tuning_semitones=_limited(
                    parts.get("tuning_semitones", {}), -TUNING_RANGE, TUNING_RANGE
                ),
                arranged={
                    slot: tuple(tuple(map(int, ids)) for ids in layers)
                    for slot, layers in parts.get("arranged", {}).items()
                },
            )
        except (ValueError, KeyError, TypeError, AttributeError) as err:
            raise KitError(f"this text is not a saved kit: {err}") from err


def _id_tuples(parts: Mapping[str, Any]) -> dict[str, tuple[int, ...]]:
    return {slot: tuple(map(int, ids)) for slot, ids in parts.items()}


def _limited(parts: Mapping[str, Any], low: float, high: float) -> dict[str, float]:
    values = {slot: float(value) for slot, value in parts.items()}
    return {slot: min(max(v, low), high) for slot, v in values.items() if not math.isnan(v)}


def without_slot(settings: Mapping[str, T], slot: str) -> dict[str, T]:
    """Return what is set for the other slots."""
    return {name: value for name, value in settings.items() if name != slot}


def _with_setting(settings: Mapping[str, float], slot: str, value: float) -> dict[str, float]:
    return without_slot(settings, slot) | ({slot: float(value)} if value else {})


def kits_using(kits: Iterable[Kit], hit_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """Find the kits that use each hit, as main stroke, layer or round robin.

    Returns
    -------
    dict of hit id to names of kits, in alphabetical order; hits in no kit are left out
    """
    names: dict[int, set[str]] = {}
    for kit in kits:
        for hit_id in {i for ids in kit.slots.values() for i in ids} & set(hit_ids):
            names.setdefault(hit_id, set()).add(kit.name)
    return {hit_id: tuple(sorted(names[hit_id])) for hit_id in hit_ids if hit_id in names}


def describe_usage(usage: Mapping[int, Sequence[str]]) -> str:
    """Return the result of `kits_using` in one line: "hit 4 is in the kit “evening”"."""
    parts = []
    for hit_id, names in usage.items():
        quoted = ", ".join(f"“{name}”" for name in names)
        parts.append(f"hit {hit_id} is in the {'kit' if len(names) == 1 else 'kits'} {quoted}")
    return "; ".join(parts)
