"""The kit that is being put together: its steps, kept in the store so that nothing is lost."""

from __future__ import annotations

import json
import threading
import time
from dataclasses import dataclass, field, replace
from weakref import WeakKeyDictionary

from catalog.catalog import Catalog
from catalog.errors import KitError
from catalog.kit.model import Kit
from catalog.kit.slots import SLOTS

STEPS_KEPT = 60  # of one kit that can be taken back; the oldest is forgotten first


@dataclass
class Draft:
    """The kit on the table with what was on it before.

    Attributes
    ----------
    steps : list of Kit, what lay on the table, one after the other; never empty
    words : list of str, what was done to come to each step
    at : int, which step lies on the table now
    choices : list of Kit, whole kits that the last filling offered, best first
    revision : int, grows with each change, also over a restart
    lock : held while the kit is changed
    """

    steps: list[Kit] = field(default_factory=lambda: [Kit(name="")])
    words: list[str] = field(default_factory=lambda: [""])
    at: int = 0
    choices: list[Kit] = field(default_factory=list)
    revision: int = field(default_factory=lambda: time.time_ns() // 10**6)
    lock: threading.RLock = field(default_factory=threading.RLock, repr=False)

    @property
    def kit(self) -> Kit:
        """The kit on the table now."""
        return self.steps[self.at]

    @property
    def undo_words(self) -> str:
        """What the next step back takes back; "" if there is none."""
        return self.words[self.at] if self.at else ""

    @property
    def redo_words(self) -> str:
        """What the next step forward does again; "" if there is none."""
        return self.words[self.at + 1] if self.at + 1 < len(self.steps) else ""

    def put(self, kit: Kit, words: str) -> None:
        """Lay a kit on the table as a new step; steps that were taken back are gone."""
        kit = in_order(kit)
        if kit == self.kit:
            return
        self.steps = [*self.steps[: self.at + 1], kit][-STEPS_KEPT:]
        self.words = [*self.words[: self.at + 1], words][-STEPS_KEPT:]
        self.at = len(self.steps) - 1
        self.revision += 1

    def name(self, name: str) -> None:
        """Give the kit on the table a name; that is no step."""
        self.steps[self.at] = replace(self.kit, name=name)
        self.revision += 1

    def step(self, by: int) -> None:
        """Go back (-1) or forward (1); at either end nothing happens."""
        at = min(max(self.at + by, 0), len(self.steps) - 1)
        self.revision += at != self.at
        self.at = at

    def to_text(self) -> str:
        """Write all steps as JSON text."""
        return json.dumps(
            {
                "steps": [kit.to_json() for kit in self.steps],
                "words": self.words,
                "at": self.at,
                "choices": [kit.to_json() for kit in self.choices],
            }
        )

    @classmethod
    def from_text(cls, text: str) -> Draft:
        """Read what `to_text` wrote; an empty table if it is nothing of the kind."""
        try:
            parts = json.loads(text)
            steps = [Kit.from_json(one) for one in parts["steps"]]
            words = [str(one) for one in parts["words"]]
            at = int(parts["at"])
            choices = [Kit.from_json(one) for one in parts["choices"]]
        except (ValueError, KeyError, TypeError, KitError):
            return cls()
        if not steps or len(words) != len(steps) or not 0 <= at < len(steps):
            return cls()
        return cls(steps, words, at, choices)


def in_order(kit: Kit) -> Kit:
    """Give a kit with its places in the order of a kit, empty ones left out."""
    return replace(kit, slots={slot: ids for slot in SLOTS if (ids := kit.slots.get(slot))})


_drafts: WeakKeyDictionary[Catalog, Draft] = WeakKeyDictionary()
_drafts_lock = threading.Lock()


def open_draft(catalog: Catalog) -> Draft:
    """Give the draft of a catalog, read from its store on the first call."""
    with _drafts_lock:
        draft = _drafts.get(catalog)
        if draft is None:
            draft = _drafts[catalog] = Draft.from_text(catalog.kits.draft())
        return draft


def put_kit(catalog: Catalog, kit: Kit, words: str) -> None:
    """Lay a kit on the table of a catalog and keep it in the store."""
    draft = open_draft(catalog)
    with draft.lock:
        draft.put(kit, words)
        catalog.kits.save_draft(draft.to_text())


def name_kit(catalog: Catalog, name: str) -> None:
    """Give the kit on the table of a catalog a name."""
    draft = open_draft(catalog)
    with draft.lock:
        draft.name(name)
        catalog.kits.save_draft(draft.to_text())


def current_kit(catalog: Catalog) -> Kit:
    """Give the kit on the table; an empty one at first."""
    return open_draft(catalog).kit
