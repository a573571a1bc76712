"""The kit that is being built, with its undo steps; it survives a restart of the server."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

from catalog.catalog import Catalog
from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS

STEPS_KEPT = 60  # undo steps of one kit; the oldest is dropped first


@dataclass(frozen=True)
class Step:
    """A kit after one change, and the label of that change, such as "lock snare"."""

    kit: Kit
    label: str


class KitSession:
    """The kit that is being built, its undo steps, and the whole kits offered for it."""

    def __init__(
        self,
        catalog: Catalog,
        steps: Sequence[Step] = (Step(Kit(name=""), ""),),
        position: int = 0,
        choices: Sequence[Kit] = (),
    ) -> None:
        self.catalog = catalog  # where the session is saved
        self.choices = list(choices)  # whole kits that the last filling offered, best first
        self.revision = time.time_ns() // 10**6  # grows with each change, also over a restart
        self.lock = threading.RLock()  # held while the kit is changed
        self._steps = list(steps)
        self._position = position

    @property
    def kit(self) -> Kit:
        """The present kit."""
        return self._steps[self._position].kit

    @property
    def n_steps(self) -> int:
        """Number of steps, with the first, empty kit."""
        return len(self._steps)

    @property
    def undo_label(self) -> str:
        """The change that `move(-1)` undoes; "" if there is none."""
        return self._steps[self._position].label if self._position else ""

    @property
    def redo_label(self) -> str:
        """The change that `move(1)` applies again; "" if there is none."""
        following = self._steps[self._position + 1 : self._position + 2]
        return following[0].label if following else ""

    def put(self, kit: Kit, label: str) -> None:
        """Add a kit as a new step; undone steps are dropped."""
        kit = sorted_slots(kit)
        if kit == self.kit:
            return
        self._steps = [*self._steps[: self._position + 1], Step(kit, label)][-STEPS_KEPT:]
        self._position = len(self._steps) - 1
        self.revision += 1

    def offer(self, choices: Sequence[Kit]) -> None:
        """Replace the offered whole kits."""
        self.choices = list(choices)
        self.revision += 1

    def rename(self, name: str) -> None:
        """Name the present kit and save the session; this cannot be undone with `move`."""
        with self.lock:
            step = self._steps[self._position]
            self._steps[self._position] = replace(step, kit=replace(step.kit, name=name))
            self.revision += 1
            self.save()

    def move(self, by: int) -> None:
        """Move back (-1) or forward (1) by one step; at either end nothing happens."""
        position = min(max(self._position + by, 0), len(self._steps) - 1)
        self.revision += position != self._position
        self._position = position

    def save(self) -> None:
        """Save the session in the store of the catalog."""
        self.catalog.kits.save_draft(self.to_text())

    def to_text(self) -> str:
        """Return all steps as JSON text."""
        return json.dumps(
            {
                "steps": [step.kit.to_json() for step in self._steps],
                "words": [step.label for step in self._steps],
                "at": self._position,
                "choices": [kit.to_json() for kit in self.choices],
            }
        )

    @classmethod
    def load(cls, catalog: Catalog) -> KitSession:
        """Return the session saved in the store of a catalog; a new one if it is unreadable."""
        try:
            saved = json.loads(catalog.kits.draft())
            kits, labels = map(Kit.from_json, saved["steps"]), map(str, saved["words"])
            steps = [Step(kit, label) for kit, label in zip(kits, labels, strict=True)]
            position = int(saved["at"])
            choices = [Kit.from_json(text) for text in saved["choices"]]
        except (ValueError, KeyError, TypeError, KitError):
            return cls(catalog)
        if not 0 <= position < len(steps):
            return cls(catalog)
        return cls(catalog, steps, position, choices)


def sorted_slots(kit: Kit) -> Kit:
    """Return a kit with its slots in standard order, without empty ones."""
    return replace(kit, slots={slot: ids for slot in SLOTS if (ids := kit.slots.get(slot))})
