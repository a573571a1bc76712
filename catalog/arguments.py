"""The verbs of the command line and what can be said to each; nothing here is carried out."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

SLOW_MAP = "the first map on a new machine compiles for up to a minute or more"
AddVerb = Callable[[str, str], argparse.ArgumentParser]


def make_parser() -> argparse.ArgumentParser:
    """Describe all verbs and their arguments."""
    shared = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    shared.add_argument("--store", metavar="FILE", help="the SQLite file that holds everything")
    shared.add_argument("--json", action="store_true", help="print JSON for other programs")
    parser = argparse.ArgumentParser(
        prog="catalog", parents=[shared],
        description="Find, sort out and combine your own recorded drum hits.",
    )  # fmt: skip
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="VERB")

    def verb(name: str, text: str) -> argparse.ArgumentParser:
        return verbs.add_parser(name, help=text, description=text, parents=[shared])

    _add_library_verbs(verb)
    _add_search_verbs(verb)
    _add_kit_verbs(verb)
    _add_page_verbs(verb)
    return parser


def _add_library_verbs(verb: AddVerb) -> None:
    scan = verb("scan", "measure new and changed files below folders")
    scan.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    scan.add_argument("--jobs", type=int, default=-1, help="worker processes (default: all cores)")
    hits = verb("hits", "list hits")
    hits.add_argument("--role", help="only those of one role")
    hits.add_argument("--session", help="only those of one session")
    hits.add_argument("--state", choices=("here", "missing", "aside"), default="here")
    verb("show", "tell everything about one hit").add_argument("hit", type=int)
    role = verb("role", "say what part of the kit a hit plays")
    role.add_argument("hit", type=int)
    role.add_argument("role", help="kick, snare, hat_closed, tom ...")
    aside = verb("set-aside", "move files of hits out of the way; `restore` undoes it")
    aside.add_argument("hits", nargs="*", type=int, metavar="HIT")
    aside.add_argument("--copies", action="store_true", help="all copies that `copies` lists")
    aside.add_argument("--reason", default="", help="kept in the history")
    aside.add_argument("--yes", action="store_true", help="do it; without this it is only shown")
    restore = verb("restore", "move files set aside back to where they were")
    restore.add_argument("hits", nargs="+", type=int, metavar="HIT")
    verb("history", "list what was done to hits, newest last")
    verb("skipped", "list files that could not be used, with the reason")


def _add_search_verbs(verb: AddVerb) -> None:
    for name, text in (
        ("alternates", "list other strokes of the same drum, nearest first"),
        ("similar", "list hits that sound alike, nearest first"),
    ):
        added = verb(name, text)
        if name == "similar":
            added.add_argument("hit", type=_hit_or_file, help="a hit's number, or an audio file")
        else:
            added.add_argument("hit", type=int)
        added.add_argument("-n", type=int, default=10, help="how many (default: 10)")
        if name == "similar":
            added.add_argument(
                "--but",
                action="append",
                metavar="WISH",
                help="darker, shorter, tighter, ... or centroid_hz=+20%%; may be given again",
            )
            added.add_argument("--role", help="only hits of this role")
            added.add_argument("--elsewhere", action="store_true", help="only other sessions")
    verb("copies", "list recordings that are there more than once")
    verb("map", f"compute a new map; {SLOW_MAP}").add_argument("--seed", type=int, default=0)


def _add_kit_verbs(verb: AddVerb) -> None:
    fill = verb("fill", "choose hits for the free slots of a kit")
    fill.add_argument("locked", nargs="*", type=_slot_and_hit, metavar="SLOT=HIT")
    fill.add_argument("--slots", type=_names, metavar="A,B,...", help="slots to be filled")
    fill.add_argument("--layers", action="store_true", help="add other strokes of each drum")
    fill.add_argument("--save", metavar="NAME", help="keep the kit under this name")
    fill.add_argument("--seed", type=int, default=0)
    swap = verb("swap", "take the next best hit for one slot of a kept kit")
    swap.add_argument("name", help="as `catalog kits` lists it")
    swap.add_argument("slot")
    verb("kits", "list kept kits")
    export = verb("export", "write a kept kit as audio, SFZ, note map and manifest")
    export.add_argument("name", help="as `catalog kits` lists it")
    export.add_argument("folder", type=Path, help="must not exist yet")
    export.add_argument("--subtype", default="PCM_24", help="PCM_16, PCM_24 or FLOAT")


def _add_page_verbs(verb: AddVerb) -> None:
    for name, text in (
        ("open", "open the page in the browser"),
        ("demo", "scan the demo library and open the page on it"),
    ):
        added = verb(name, text)
        added.add_argument("--port", type=int, default=0, help="default: a free one")
        added.add_argument(
            "--no-browser", dest="browser", action="store_false", help="only print the address"
        )


def _slot_and_hit(text: str) -> tuple[str, int]:
    slot, _, hit = text.partition("=")
    if not slot or not hit.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} must be SLOT=HIT, such as snare=12")
    return slot, int(hit)


def _hit_or_file(text: str) -> int | Path:
    return int(text) if text.isdecimal() else Path(text)


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]
