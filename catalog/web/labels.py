"""Labels of the page, and escaping of names from files."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

from catalog.kit.slots import SLOTS
from catalog.models import MARKS, ROLES
from catalog.wording import plain_slot

ROLE_WORDS: dict[str, str] = {
    "kick": "Kick", "snare": "Snare", "sidestick": "Sidestick", "clap": "Clap",
    "hat_closed": "Closed hat", "hat_pedal": "Pedal hat", "hat_open": "Open hat", "tom": "Tom",
    "crash": "Crash", "ride": "Ride", "ride_bell": "Ride bell", "splash": "Splash",
    "china": "China", "cowbell": "Cowbell", "tambourine": "Tambourine", "shaker": "Shaker",
    "wood": "Wood", "conga_bongo": "Conga, bongo", "timbale_agogo": "Timbale, agogo",
    "other": "Other",
}  # fmt: skip
REGION_WORDS: dict[str, str] = {
    "kick": "kicks", "snare": "snares", "sidestick": "sidesticks", "clap": "claps",
    "hat_closed": "closed hats", "hat_pedal": "pedal hats", "hat_open": "open hats",
    "tom": "toms", "crash": "crashes", "ride": "rides", "ride_bell": "ride bells",
    "splash": "splashes", "china": "chinas", "cowbell": "cowbells", "tambourine": "tambourines",
    "shaker": "shakers", "wood": "woods", "conga_bongo": "congas and bongos",
    "timbale_agogo": "timbales and agogos", "other": "others",
}  # fmt: skip
# The parts of the page, in the order of the work.
PARTS: dict[str, str] = {
    "find": "Find", "duplicates": "Duplicates", "kit": "Kit", "recordings": "Bring in",
    "history": "History",
}  # fmt: skip
# The slots of a kit in the order in which they are shown and struck by keys.
SLOT_ORDER: tuple[str, ...] = (
    "kick", "kick_2", "snare", "snare_2", "sidestick", "clap", "hat_closed", "hat_pedal",
    "hat_open", "tom_high", "tom_mid", "tom_low", "crash", "crash_2", "ride", "ride_2", "ride_bell",
    "splash", "china", "cowbell", "tambourine", "shaker", "wood", "wood_2", "conga", "conga_2",
    "timbale", "timbale_2", "extra",
)  # fmt: skip
# Words that narrow similar hits, opposites together, in the order in which they are shown.
CONSTRAINT_PAIRS = (
    ("shorter", "longer"),
    ("darker", "brighter"),
    ("lower", "higher"),
    ("tighter",),
    ("noisier",),
    ("softer", "harder"),
)
HEARING = (
    "Listening starts at a modest level and a limiter reduces sudden peaks. Turn your speakers or "
    "headphones up slowly; loud sound damages hearing permanently."
)
RIGHTS = (
    "Pass on only what you have the rights to: your own recordings, or those whose makers and "
    "players have agreed."
)
NO_HITS = "The catalog is empty."
HOW_TO_BEGIN = (
    "Enter a folder of recorded hits and press “Scan”. Files are only read, never changed."
)
TRY_DEMO = "Try the demo library"
TRY_DEMO_HELP = "Invented recordings of several sessions, kept apart from your own library"
DEMO_SHOWN = "This is the demo library: invented recordings, kept apart from your own."
LEAVE_DEMO = "Back to my library"
MARKS_LEFT_OUT = re.compile(r"[\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")  # turn or hide text
MARKDOWN_SIGNS = re.compile(r"([\\`*_{}\[\]()<>#+\-.!|~$:&])")


def plain(text: str) -> str:
    """Return a name on one line; invisible, direction and control characters become "·"."""
    shown = MARKS_LEFT_OUT.sub("·", text)
    return "".join("·" if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in shown)


def inert(text: str) -> str:
    """Return a name with all markdown characters escaped."""
    return MARKDOWN_SIGNS.sub(r"\\\1", plain(text))


def slot_word(slot: str) -> str:
    """Return the label of a slot: "tom_low" is "Low tom", "kick_2" is "Kick 2"."""
    return ROLE_WORDS.get(slot) or plain_slot(slot).capitalize()


def browser_labels() -> dict[str, Any]:
    """Return the labels that the browser shows, by the name of its constant."""
    return {
        "PARTS": PARTS,
        "ROLES": ROLES,
        "MARKS": MARKS,
        "ROLE_LABELS": ROLE_WORDS,
        "REGION_LABELS": REGION_WORDS,
        "SLOT_LABELS": {name: slot_word(name) for name in SLOT_ORDER},
        "SLOT_ROLES": {name: slot.roles for name, slot in SLOTS.items()},
        "CONSTRAINT_PAIRS": CONSTRAINT_PAIRS,
        "HEARING": HEARING,
        "RIGHTS": RIGHTS,
    }


def count_of(n: int, one: str, many: str = "") -> str:
    """Return a count with its noun: "1 hit", "3 hits"."""
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def duration_text(seconds: float) -> str:
    """Return a duration as text: "40 s", "3 min", "2 h 10 min"."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60} min"


def when_word(time_utc: str) -> str:
    """Return a time in the time zone of this machine: "2026-03-01 17:20"."""
    return datetime.fromisoformat(time_utc).astimezone().strftime("%Y-%m-%d %H:%M")


def name_folders(folders: Iterable[Path]) -> dict[Path, str]:
    """Return a short name of each folder: its last parts, as few as tell all of them apart."""
    names = dict.fromkeys(folders, 1)  # how many parts are used
    while True:
        tails = {folder: "/".join(folder.parts[-n:]) for folder, n in names.items()}
        count = Counter(tails.values())
        alike = [
            folder
            for folder, n in names.items()
            if count[tails[folder]] > 1 and n < len(folder.parts)
        ]
        if not alike:
            return tails
        for folder in alike:
            names[folder] += 1
