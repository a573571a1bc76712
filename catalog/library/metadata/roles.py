"""The role of a hit, from its name and from the role probabilities of its sound.

Names are read as whole words, with the usual abbreviations of the trade (common practice, no
source).
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from functools import lru_cache
from itertools import zip_longest
from pathlib import Path
from typing import NamedTuple

import numpy as np

from catalog.models import ROLES, Role, RoleSource

WORD = re.compile(r"[A-Z]+(?![^\W\d_A-Z])|[^\W\d_A-Z]+|[A-Z][^\W\d_A-Z]*|\d+")
SURE, LIKELY, WEAK = 0.9, 0.7, 0.45  # how often a word means its role: estimates, no source
FOLDER_FACTOR = 0.9  # the name of a folder is a little less certain than that of the file
MIXED_FACTOR = 0.65  # a name with words of several roles, or with other words
UNKNOWN_CONFIDENCE = 0.05  # nothing is known: one of twenty roles
# The name is doubted if its role has less than the first and another role more than the second.
DOUBT_BELOW, DOUBT_ABOVE = 0.02, 0.8
DOUBT_FACTOR = 0.5  # on the confidence of a doubted name


class RoleEstimate(NamedTuple):
    """The role of a hit, how likely it is (0 to 1), and where it comes from."""

    role: Role
    confidence: float
    source: RoleSource


def word_set(text: str) -> frozenset[str]:
    """Return the words of a text, split at white space, as a set."""
    return frozenset(text.split())


def _words(text: str, role: str, confidence: float) -> dict[str, tuple[str, float]]:
    return dict.fromkeys(text.split(), (role, confidence))


ROLE_WORDS: Mapping[str, tuple[str, float]] = {
    **_words("kick kicks kik kck kd bd bassdrum bassdrums kickdrum kdrum", "kick", SURE),
    **_words("snare snares sn sd snr sna snaredrum rimshot rimshots", "snare", SURE),
    **_words("rs", "snare", WEAK),
    **_words("sidestick sidesticks xstick xstk crossstick crossstck rimclick", "sidestick", SURE),
    **_words("rimtap", "sidestick", SURE),
    **_words("rim", "sidestick", WEAK),
    **_words("clap claps handclap handclaps", "clap", SURE),
    **_words("hhc chh hhcl hatclosed closedhat closehat", "hat_closed", SURE),
    **_words("hihatclosed closedhihat closehihat", "hat_closed", SURE),
    **_words("hhp phh hhpd hatpedal pedalhat foothat", "hat_pedal", SURE),
    **_words("hihatpedal pedalhihat foothihat", "hat_pedal", SURE),
    **_words("hho ohh hhop hatopen openhat hihatopen openhihat", "hat_open", SURE),
    **_words("hat hats hh hihat hihats highhat highhats", "hat", LIKELY),
    **_words("tom toms tomtom tt floortom racktom", "tom", SURE),
    **_words("floor flr ft", "tom", WEAK),
    **_words("crash crashes crsh", "crash", SURE),
    **_words("cym cymb cymbal cymbals cy", "crash", WEAK),
    **_words("ride rides rd", "ride", SURE),
    **_words("ridebell bellride", "ride_bell", SURE),
    **_words("bell", "ride_bell", WEAK),
    **_words("splash splashes spl", "splash", SURE),
    **_words("china chinas chinese", "china", SURE),
    **_words("cowbell cowbells", "cowbell", SURE),
    **_words("tambourine tambourines tamb tambo", "tambourine", SURE),
    **_words("shaker shakers maraca maracas cabasa cabaza caxixi ganza", "shaker", SURE),
    **_words("clave claves woodblock woodblocks castanet castanets templeblock", "wood", SURE),
    **_words("wood wb", "wood", WEAK),
    **_words("conga congas bongo bongos tumba tumbas quinto", "conga_bongo", SURE),
    **_words("timbale timbales agogo agogos", "timbale_agogo", SURE),
    **_words(
        "triangle guiro cuica quica whistle timpani taiko surdo gong vibraslap chimes tabla djembe"
        " cajon darbuka udu",
        "other",
        SURE,
    ),
    # German, French, Spanish, Italian, Portuguese and Dutch (dictionaries, from memory)
    **_words("grosstrommel basstrommel bombo bumbo basdrum", "kick", SURE),
    **_words("cassa", "kick", LIKELY),
    **_words("schnarrtrommel rullante redoblante tarola", "snare", SURE),
    **_words("caja caixa", "snare", LIKELY),
    **_words("charleston charley charles chimbal contratiempo contratempo", "hat", LIKELY),
    **_words("standtom hangetom timpano", "tom", LIKELY),
    **_words("rimschlag randschlag kantenschlag", "snare", LIKELY),
    **_words("aro", "sidestick", WEAK),
    **_words("becken cymbale platillo platillos piatto piatti prato pratos bekken", "crash", WEAK),
    **_words(
        "schellenring schellenkranz tambourin pandereta pandeiro tamburello tamboerijn",
        "tambourine",
        SURE,
    ),
    **_words("rassel chocalho sonajero", "shaker", SURE),
    **_words("kuhglocke cencerro koebel campanaccio", "cowbell", SURE),
    **_words("holzblock houtblok", "wood", SURE),
    **_words("klatschen palmas handgeklap", "clap", LIKELY),
    **_words("metronome scratch sticks beep zap noise sleigh jingle snap fx", "other", LIKELY),
}
PAIRS: Mapping[tuple[str, str], tuple[str, float]] = {
    **dict.fromkeys([("bass", "drum"), ("bass", "drums"), ("k", "drum")], ("kick", SURE)),
    **dict.fromkeys(
        [(a, b) for a in ("side", "cross", "x") for b in ("stick", "sticks", "stk")]
        + [("rim", "click"), ("rim", "tap"), ("rim", "knock")],
        ("sidestick", SURE),
    ),
    **dict.fromkeys([("rim", "shot"), ("rim", "shots")], ("snare", SURE)),
    **dict.fromkeys([(a, b) for a in ("hi", "high") for b in ("hat", "hats")], ("hat", SURE)),
    **dict.fromkeys([("ride", "bell"), ("bell", "ride")], ("ride_bell", SURE)),
    ("cow", "bell"): ("cowbell", SURE),
    ("cow", "bells"): ("cowbell", SURE),
    **dict.fromkeys([("wood", "block"), ("temple", "block"), ("wood", "blocks")], ("wood", SURE)),
    **dict.fromkeys(
        [("bell", "tree"), ("vibra", "slap"), ("finger", "snap"), ("jingle", "bell")],
        ("other", SURE),
    ),
    **dict.fromkeys([("china", "crash"), ("crash", "china"), ("china", "cymbal")], ("china", SURE)),
    ("chinese", "cymbal"): ("china", SURE),
    **dict.fromkeys(
        [("grosse", "trommel"), ("grosse", "caisse"), ("gran", "cassa"), ("grote", "trom")],
        ("kick", SURE),
    ),
    **dict.fromkeys(
        [("kleine", "trommel"), ("caisse", "claire"), ("kleine", "trom")], ("snare", SURE)
    ),
}  # fmt: skip
HAT_STATES: Mapping[str, str] = {
    **dict.fromkeys(word_set("open opened half semi loose sizzle slosh op"), "hat_open"),
    **dict.fromkeys(
        word_set("offen halboffen auf ouvert ouverte entrouvert abierto aperto aberto"), "hat_open"
    ),
    **dict.fromkeys(word_set("pedal ped foot chick splashed pd"), "hat_pedal"),
    **dict.fromkeys(word_set("fuss getreten pied pie pedale pedaal"), "hat_pedal"),
    **dict.fromkeys(word_set("closed close tight shut cl"), "hat_closed"),
    **dict.fromkeys(
        word_set("geschlossen zu dicht ferme fermee cerrado chiuso fechado gesloten"), "hat_closed"
    ),
}
# Codes of two letters, which mean an instrument only beside others of them: "OH" alone is an
# overhead microphone (common practice, no source).
CODES: Mapping[str, tuple[Role, float]] = {
    "bd": (Role.KICK, SURE), "sd": (Role.SNARE, SURE), "rs": (Role.SIDESTICK, LIKELY),
    "ch": (Role.HAT_CLOSED, SURE), "oh": (Role.HAT_OPEN, SURE), "ph": (Role.HAT_PEDAL, SURE),
    "lt": (Role.TOM, SURE), "mt": (Role.TOM, SURE), "ht": (Role.TOM, SURE),
    "cp": (Role.CLAP, SURE), "cy": (Role.CRASH, LIKELY), "cr": (Role.CRASH, SURE),
    "rc": (Role.RIDE, SURE), "rd": (Role.RIDE, SURE), "cb": (Role.COWBELL, SURE),
    "ma": (Role.SHAKER, LIKELY), "lc": (Role.CONGA_BONGO, LIKELY),
    "mc": (Role.CONGA_BONGO, LIKELY), "hc": (Role.CONGA_BONGO, LIKELY),
}  # fmt: skip
MIN_CODES = 4  # different ones in a folder
NEUTRAL = word_set(
    "drum drums hi high lo low mid l r left right main my the a b c d top bottom hit hits single"
    " singles shot rack soft hard loud medium med stick block bow edge shank tip zone side x in out"
)  # words in the name of an instrument's folder beside its role


def split_words(text: str) -> list[str]:
    """Split a name into words in lower case: at digits, non-letters, and before capitals."""
    if not text.isascii():  # a disk of macOS separates letters and accents
        text = unicodedata.normalize("NFC", text)
    return [word.casefold() for word in WORD.findall(text)]


def _without_accents(word: str) -> str:
    """Return a word in lower case without accents: "fermé" as "ferme"."""
    letters = unicodedata.normalize("NFKD", word)
    return "".join(letter for letter in letters if not unicodedata.combining(letter))


def role_from_name(path: str | Path, *, root: str | Path) -> tuple[Role, float] | None:
    """Estimate the role from the name of a file, else from the nearest folder that names one.

    The last folder that is read is `root`, the scanned one. The confidence is from 0 to 1.
    """
    place, top = Path(path), Path(root)
    words = split_words(place.stem)
    if CODES.keys() & set(words):
        at = _code_place(*_folder_key(place.parent))
        if at is not None and words[at : at + 1] and words[at] in CODES:
            return CODES[words[at]]
    if own := _role_of_words(words):
        return own
    for folder in place.parents:
        if estimate := _role_of_folder(folder.name):
            return estimate
        if folder == top:
            break
    return None


def _folder_key(folder: Path) -> tuple[Path, int]:
    """Return a folder and its modification time, so that new files are read."""
    with suppress(OSError):
        return folder, folder.stat().st_mtime_ns
    return folder, 0


@lru_cache(maxsize=1024)
def _code_place(folder: Path, _mtime_ns: int) -> int | None:
    """Return which word of the names of a folder is a code: the first in which they differ.

    Numbers before it count as equal. Return None unless `MIN_CODES` different codes stand there.
    """
    with suppress(OSError):
        names = [Path(name) for name in os.listdir(folder)]
        usual = Counter(name.suffix for name in names).most_common(1)
        all_words = [split_words(name.stem) for name in names if name.suffix == usual[0][0]]
        for at, column in enumerate(zip_longest(*all_words, fillvalue="")):
            if len(set(column)) > 1 and not all(word.isdigit() for word in column):
                codes = set(column) & CODES.keys()
                return at if len(codes) >= MIN_CODES and codes & {"bd", "sd"} else None
    return None


@lru_cache(maxsize=1024)
def _role_of_folder(name: str) -> tuple[Role, float] | None:
    words = split_words(name)
    estimate = _role_of_words(words)
    if estimate is None:
        return None
    role, confidence = estimate
    if not is_instrument(words):
        if confidence < LIKELY:  # "Bell Road" is an address
            return None
        confidence *= MIXED_FACTOR
    return role, confidence * FOLDER_FACTOR


def is_instrument(words: list[str]) -> bool:
    """Return whether words name an instrument and nothing else, as "Floor Tom 2" does."""
    letters = [word for word in words if not word.isdigit()]
    known = [w for w in letters if w in ROLE_WORDS or w in HAT_STATES or w in NEUTRAL]
    return len(known) == len(letters) and _role_of_words(words) is not None


def _role_of_words(words: list[str]) -> tuple[Role, float] | None:
    words = [_without_accents(word) for word in words]
    found = [_resolve_hat(role, confidence, words) for role, confidence in _find_roles(words)]
    if not found:
        return None
    role, confidence = found[0]
    strongest = max(found, key=lambda estimate: estimate[1])
    if strongest[1] > confidence + 0.1:  # a clear word counts more than an earlier vague one
        role, confidence = strongest
    roles = {r for r, c in found if c >= LIKELY}
    if Role.RIDE in roles and any(w in ("bell", "bells") for w in words):
        return Role.RIDE_BELL, SURE
    return role, confidence * (MIXED_FACTOR if len(roles) > 1 else 1.0)


def _find_roles(words: list[str]) -> list[tuple[str, float]]:
    """Return the roles of all role words in order; a pair of words counts before its parts."""
    found, at = [], 0
    while at < len(words):
        pair = PAIRS.get((words[at], words[at + 1])) if at + 1 < len(words) else None
        single = ROLE_WORDS.get(words[at])
        if estimate := pair or single:
            found.append(estimate)
        at += 2 if pair else 1
    return found


def _resolve_hat(role: str, confidence: float, words: list[str]) -> tuple[Role, float]:
    """Resolve "hat" to closed, pedal or open by a word for its state, else to closed."""
    states = [HAT_STATES[word] for word in words if word in HAT_STATES]
    cymbal = role == Role.CRASH and confidence == WEAK  # "closed cymbal" is a hat too
    if role != "hat" and not (cymbal and states):
        return Role(role), confidence
    return (Role(states[0]), SURE) if states else (Role.HAT_CLOSED, WEAK + 0.1)


def combine_role(
    from_name: tuple[Role, float] | None, probabilities: np.ndarray | None
) -> RoleEstimate:
    """Choose the role by name, else by sound; halve the confidence if the sound contradicts.

    The probabilities are in the order of `ROLES`, shape (20,).
    """
    known = probabilities is not None and float(np.ptp(probabilities)) > 0
    if from_name is not None:
        role, confidence = from_name
        if known and probabilities is not None:
            doubted = probabilities[ROLES.index(role)] < DOUBT_BELOW
            if doubted and probabilities.max() > DOUBT_ABOVE:
                confidence *= DOUBT_FACTOR
        return RoleEstimate(role, confidence, RoleSource.NAME)
    if not known or probabilities is None:
        return RoleEstimate(Role.OTHER, UNKNOWN_CONFIDENCE, RoleSource.SOUND)
    best = int(np.argmax(probabilities))
    return RoleEstimate(ROLES[best], float(probabilities[best]), RoleSource.SOUND)
