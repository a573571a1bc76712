"""The kit that is being built, with its undo steps; it survives a restart of the server."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from catalog.catalog import Catalog
from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS
from catalog.library.store.database import now_utc

STEPS_KEPT = 60  # undo steps of one kit; the oldest is dropped first
MAX_WAIT_S = 10.0  # for one change, while other servers of the page change the same kit
MAX_PAUSE_S = 0.05  # between two tries of it
CHANGED = "the kit was changed in another tab or program meanwhile; look at it, then try again"


@dataclass(frozen=True)
class Step:
    """A kit after one change, and the label of that change, such as "lock snare".

    `after` is the number of the last act before the change; it puts steps and acts into one order.
    `undone` is that number when the change was undone.
    """

    kit: Kit
    label: str
    after: int = 0
    time_utc: str = ""
    undone: int = 0


class KitSession:
    """The kit that is being built, its undo steps, and the whole kits offered for it.

    Several servers of the page may use one store. Each change is applied to the state that was
    saved last, whoever saved it, and saved only if that is still the last one.
    """

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
        self.changed_by = ""  # the tab that made the last change, as it names itself
        # By name, the versions of saved kits that were opened or saved here.
        self.saved_versions: dict[str, int] = {}
        self.lock = threading.RLock()  # held while the kit is changed
        self._stored: str | None = None  # the text of the store that this session agrees with
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
    def changes(self) -> Sequence[Step]:
        """All changes with those that are undone, the oldest first."""
        return self._steps[1:]

    @property
    def last_change(self) -> Step | None:
        """The change that `move(-1)` undoes; None if there is none."""
        return self._steps[self._position] if self._position else None

    @property
    def next_change(self) -> Step | None:
        """The change that `move(1)` applies again; None if there is none."""
        return next(iter(self._steps[self._position + 1 :]), None)

    def put(self, kit: Kit, label: str) -> None:
        """Add a kit as a new step; undone steps are dropped."""
        kit = sorted_slots(kit)
        if kit == self.kit:
            return
        step = Step(kit, label, self.catalog.files.newest_number(), now_utc())
        self._steps = [*self._steps[: self._position + 1], step][-STEPS_KEPT:]
        self._position = len(self._steps) - 1
        self.revision += 1

    def offer(self, choices: Sequence[Kit]) -> None:
        """Replace the offered whole kits."""
        self.choices = list(choices)
        self.revision += 1

    def rename(self, name: str) -> None:
        """Name the present kit and save the session; this cannot be undone with `move`."""
        self.change(lambda: self._name_kit(name))

    def _name_kit(self, name: str) -> None:
        step = self._steps[self._position]
        self._steps[self._position] = replace(step, kit=replace(step.kit, name=name))
        self.revision += 1

    def move(self, by: int) -> None:
        """Move back (-1) or forward (1) by one step; at either end nothing happens."""
        position = min(max(self._position + by, 0), len(self._steps) - 1)
        if position == self._position:
            return
        moved, number = max(position, self._position), self.catalog.files.newest_number()
        self._steps[moved] = replace(self._steps[moved], undone=number if by < 0 else 0)
        self.revision += 1
        self._position = position

    def change(self, change: Callable[[], None], *, tab: str | None = None) -> None:
        """Apply a change to the newest state and save it; start again if another one was saved.

        Parameters
        ----------
        change : callable, changes this session
        tab : str, the tab that changes what is played, "" if it has no name; None if only the name
            of the kit or its saved version changes

        Raises
        ------
        KitError
            if other programs change the kit without a pause, or `change` raises it
        """
        end = time.monotonic() + MAX_WAIT_S
        with self.lock:
            while True:
                self.refresh()
                change()
                text = self.to_text()
                if self.catalog.kits.save_draft(text, before=self._stored):
                    self._stored = text
                    self.changed_by = self.changed_by if tab is None else tab
                    return
                if time.monotonic() > end:
                    break
                time.sleep(random.uniform(0, MAX_PAUSE_S))  # so that no server always loses
            self.refresh()
        raise KitError(CHANGED)

    def refresh(self) -> None:
        """Read the session again if another program has saved it; do nothing during a change."""
        if not self.lock.acquire(blocking=False):
            return
        try:
            text = self.catalog.kits.draft()
            if self._stored is not None and text != self._stored:
                self._become(KitSession.load(self.catalog))
            else:
                self._stored = text
        finally:
            self.lock.release()

    def _become(self, other: KitSession) -> None:
        self._steps, self._position, self.choices = other._steps, other._position, other.choices
        self.saved_versions, self._stored = other.saved_versions, other._stored
        self.revision = max(self.revision + 1, other.revision)
        self.changed_by = ""

    def check_is_shown(self, revision: object, *, tab: str) -> None:
        """Raise `KitError` if another tab or program changed the kit that this tab shows."""
        if isinstance(revision, int) and revision != self.revision and tab != self.changed_by:
            raise KitError(CHANGED)

    def to_text(self) -> str:
        """Return all steps as JSON text."""
        return json.dumps(
            {
                "steps": [step.kit.to_json() for step in self._steps],
                "words": [step.label for step in self._steps],
                "order": [[step.after, step.time_utc, step.undone] for step in self._steps],
                "at": self._position,
                "choices": [kit.to_json() for kit in self.choices],
                "saved": self.saved_versions,
            }
        )

    @classmethod
    def load(cls, catalog: Catalog) -> KitSession:
        """Return the session saved in the store of a catalog; a new one if it is unreadable."""
        text = catalog.kits.draft()
        session = cls._from_text(catalog, text) or cls(catalog)
        session._stored = text
        return session

    @classmethod
    def _from_text(cls, catalog: Catalog, text: str) -> KitSession | None:
        try:
            saved = json.loads(text)
            kits, labels = map(Kit.from_json, saved["steps"]), map(str, saved["words"])
            steps = [Step(kit, label) for kit, label in zip(kits, labels, strict=True)]
            for k, (after, when, undone) in enumerate(saved.get("order", [])[: len(steps)]):
                steps[k] = replace(
                    steps[k], after=int(after), time_utc=str(when), undone=int(undone)
                )
            position = int(saved["at"])
            choices = [Kit.from_json(kit) for kit in saved["choices"]]
            versions = {str(name): int(v) for name, v in saved.get("saved", {}).items()}
        except (ValueError, KeyError, TypeError, AttributeError, KitError):
            return None
        if not 0 <= position < len(steps):
            return None
        session = cls(catalog, steps, position, choices)
        session.saved_versions = versions
        return session


def sorted_slots(kit: Kit) -> Kit:
    """Return a kit with its slots in standard order, without empty ones."""
    return replace(kit, slots={slot: ids for slot in SLOTS if (ids := kit.slots.get(slot))})
