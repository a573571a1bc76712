"""Which microphone of a stroke stands for it in lists, searches and kits."""

from __future__ import annotations

import contextlib
import json
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from catalog.errors import ParameterError
from catalog.library.metadata.roles import ROLE_WORDS, split_words, word_set
from catalog.library.store.store import Store
from catalog.models import Hit, Mark, RoleSource

CHOSEN = "chosen_microphones"  # setting: ids of hits that the user chose to stand for their stroke
# Microphones apart from the drum take in the room and the other drums, so that pitch and decay are
# measured less well; common practice, no published source.
FAR = word_set(
    "oh ohl ohr ohc ovhd overhead overheads room rooml roomr amb ambl ambr ambience far back hall"
    " wide xy ortf glyn phone handheld mono stereo"
)
SECOND = word_set("bottom btm bot under underside out outside port reso sub trigger side")
DELAY_STEP_S = 0.0005  # 17 cm: of microphones closer to one another than this, the louder is used


@dataclass(frozen=True)
class Preferences:
    """What decides which microphone stands for a stroke, by hit id."""

    chosen: Collection[int] = ()  # by the user
    in_kits: Collection[int] = ()  # of saved kits
    delays: Mapping[int, float | None] = field(default_factory=dict)  # after the earliest, frames


def choose_hit(hits: Sequence[Hit], preferences: Preferences) -> Hit:
    """Return the hit that stands for a stroke; `hits` are its microphones.

    The user's choice comes before hits of saved kits, and those before hits with annotations.
    Otherwise it is a close microphone: by its name, arrival time and level.
    """

    def order(hit: Hit) -> tuple[object, ...]:
        return (
            hit.id not in preferences.chosen,
            hit.id not in preferences.in_kits,
            not is_annotated(hit),
            *nearness(hit, preferences.delays.get(hit.id)),
        )

    return min(hits, key=order)


def nearness(hit: Hit, delay_samples: float | None) -> tuple[float, ...]:
    """Return a key that sorts the microphones of a stroke, the nearest one to the drum first.

    It is made of name, arrival time and level; the delay after the earliest one is in frames.
    """
    delay = -1 if delay_samples is None else delay_samples / hit.sr // DELAY_STEP_S
    loudness = hit.descriptors.get("loudness_lkfs", math.nan)
    level = -loudness if math.isfinite(loudness) else math.inf
    return distance_class(hit), delay, level, hit.id


def is_annotated(hit: Hit) -> bool:
    """Return whether the user marked, tagged or remarked on a hit, or set its role."""
    by_user = hit.role_source == RoleSource.USER
    return by_user or hit.mark != Mark.NONE or bool(hit.tags) or bool(hit.remark)


class Microphoned(Protocol):
    """What `distance_class` looks at; a `Hit` has it."""

    @property
    def microphone(self) -> str:
        """Name of the microphone."""

    @property
    def role(self) -> str:
        """What the drum plays."""

    @property
    def role_source(self) -> str:
        """Where the role is from."""


def distance_class(hit: Microphoned) -> int:
    """Return how close a microphone is by its name: 0 close, 1 behind a close one, 2 far, 3 other.

    A microphone named after another drum than the one that is played picks it up from afar.
    """
    words = split_words(hit.microphone)
    if any(word in FAR for word in words):
        return 2
    named = {ROLE_WORDS[word][0] for word in words if word in ROLE_WORDS}
    if named and hit.role_source in (RoleSource.USER, RoleSource.NAME):
        family = hit.role.split("_")[0]
        if not any(str(role).split("_")[0] == family for role in named):
            return 3
    return 1 if any(word in SECOND for word in words) else 0


def read_chosen(store: Store) -> list[int]:
    """Return the ids of hits that the user chose to stand for their strokes."""
    return list(store.database.read_setting(CHOSEN, []))


def save_chosen(store: Store, hit: Hit) -> None:
    """Store that a hit stands for its stroke, in place of an earlier choice for the stroke.

    Raise `ParameterError` if the stroke has one microphone only.
    """
    if not hit.tied:
        raise ParameterError(f"hit {hit.id} ({hit.name}) is the only microphone of its stroke")
    members = {mic.hit_id for mic in hit.tied}
    kept = [hit_id for hit_id in read_chosen(store) if hit_id not in members]
    summary = f"hit {hit.id}, {hit.name}: stands for its stroke"
    with store.act("microphone", summary):
        store.database.save_setting(CHOSEN, [*kept, hit.id])


def ids_in_kits(store: Store) -> set[int]:
    """Return the ids of the hits that saved kits and the draft hold."""
    found: set[int] = set()
    with contextlib.suppress(ValueError, KeyError, TypeError):
        steps = json.loads(store.kits.read_draft())["steps"]
        found = _kit_ids(steps)
    return found | _kit_ids(kit.payload for kit in store.kits.read())


def _kit_ids(texts: Iterable[str]) -> set[int]:
    found: set[int] = set()
    for text in texts:
        with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError):  # not a kit
            found |= {int(i) for ids in json.loads(text)["slots"].values() for i in ids}
    return found
