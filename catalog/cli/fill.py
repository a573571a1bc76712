"""Commands that choose the hits of kits."""

from __future__ import annotations

import argparse
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from catalog.cli.commands.kits import ALL_HELP, NAME_HELP, SLOT_HELP, change_kit, print_kit
from catalog.cli.learning import PLAIN_HELP, note_taste
from catalog.cli.output import (
    INCOMPLETE,
    NO_GOOD_HELP,
    OK,
    AddCommand,
    ProgressBar,
    at_least_one,
    can_ask,
    hit_number,
    is_agreed,
    note_no_change,
    print_message,
    read_wishes,
)
from catalog.cli.selection import add_query_options, query_filter
from catalog.errors import KitArgumentError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.kit.model import Kit


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    fill = command("fill", "choose hits for the free slots of a kit", _fill)
    fill.add_argument(
        "locked", nargs="*", type=_slot_and_hit, metavar="SLOT=HIT",
        help="a slot with its hit, which stays: snare=42",
    )  # fmt: skip
    fill.add_argument("--slots", type=_names, metavar="A,B,...", help="slots to fill")
    fill.add_argument("--layers", action="store_true", help="add other strokes of each drum")
    fill.add_argument(
        "--most-layers", type=at_least_one, metavar="N", help="the same, at most N layers of each"
    )
    fill.add_argument("--save", metavar="NAME", help="save the kit under this name")
    fill.add_argument(
        "--yes",
        action="store_true",
        help="replace a saved kit of that name without asking; it stays as an older version",
    )
    fill.add_argument("--all", action="store_true", help=ALL_HELP)
    fill.add_argument("--seed", type=int, default=0, help="another number may give another kit")
    add_query_options(fill)
    fill.add_argument("--no-good", action="store_true", help=NO_GOOD_HELP)
    _add_fill_options(fill)
    swap = command("swap", "replace the hit in a slot of a saved kit with the next best one", _swap)
    swap.add_argument("name", help=NAME_HELP)
    swap.add_argument("slot", help=SLOT_HELP)
    swap.add_argument("hit", nargs="?", type=hit_number, help="this hit instead of the next best")
    swap.add_argument(
        "--but", action="append", metavar="WISH", help="brighter, shorter, ... as in `similar`"
    )
    swap.add_argument("--plain", action="store_true", help=PLAIN_HELP)
    swap.add_argument("--all", action="store_true", help=ALL_HELP)


def _add_fill_options(fill: argparse.ArgumentParser) -> None:
    fill.add_argument(
        "--faulty", action="store_true", help="also hits that are clipped, hum or end too early"
    )
    fill.add_argument(
        "--not-session",
        action="append",
        default=[],
        metavar="NAME",
        help="without these sessions",
    )
    fill.add_argument("--one-session", action="store_true", help="all hits from one session")
    fill.add_argument(
        "--least-sessions", type=int, default=0, metavar="N", help="at least so many sessions"
    )
    fill.add_argument("--plain", action="store_true", help=PLAIN_HELP)
    fill.add_argument(
        "--numbers", action="store_true", help="print how each hit fits in dB, s and Hz as well"
    )


def _slot_and_hit(text: str) -> tuple[str, int]:
    slot, _, hit = text.partition("=")
    if not slot or not hit.isdecimal():
        raise argparse.ArgumentTypeError(f"{text!r} must be SLOT=HIT, such as snare=12")
    return slot, int(hit)


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _fill(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.kit.fill.options import FillOptions
    from catalog.kit.layers import MAX_LAYERS

    is_taken = bool(args.save and cat.kits.version(args.save))
    if is_taken and not _may_replace(args):
        return INCOMPLETE
    locked = dict(args.locked)
    if len(locked) < len(args.locked):
        slot = Counter(slot for slot, _ in args.locked).most_common(1)[0][0]
        raise KitArgumentError(f"the slot {slot} is given twice; a slot has one hit", slot=slot)
    options = FillOptions(
        not_sessions=args.not_session,
        one_session=args.one_session,
        n_sessions=args.least_sessions,
        no_good=args.no_good,
        faulty=args.faulty,
        plain=args.plain,
        layers=args.layers or args.most_layers is not None,
    )
    kit = cat.kits.fill(
        locked, args.slots, seed=args.seed, options=options, among=query_filter(cat, args)
    )
    note_taste(cat, args)
    for line in cat.kits.fill_warnings(kit, args.slots):
        print_message(f"check {line}")
    if args.most_layers or args.layers:
        with ProgressBar() as bar:
            kit = cat.kits.add_layers(kit, args.most_layers or MAX_LAYERS, on_progress=bar)
    before = {saved.name: saved for saved in cat.kits.saved()}.get(args.save)
    if args.save:
        cat.kits.save(kit, args.save, replace_saved=args.yes or is_taken)
    print_kit(cat, kit, args, cat.kits.explain(kit) if args.numbers else {})
    is_listing = not args.save
    return OK if is_listing else note_no_change(before != replace(kit, name=args.save))


def _may_replace(args: argparse.Namespace) -> bool:
    """Return whether the user agrees to replace the saved kit of the name.

    Raise `KitArgumentError` without `--yes` if nobody can be asked.
    """
    if args.yes:
        return True
    text = f"a kit is named {args.save!r} already"
    if not can_ask(args):
        raise KitArgumentError(
            f"{text}; give another name, or add --yes, which keeps the present one as an older"
            " version"
        )
    is_replaced = is_agreed(f"{text}; replace it, and keep it as an older version?")
    if not is_replaced:
        print_message("nothing was saved")
    return is_replaced


def _swap(cat: Catalog, args: argparse.Namespace) -> int:
    but = read_wishes(args.but) if args.but else None

    def swap(kit: Kit) -> Kit:
        return cat.kits.swap(kit, args.slot, hit_id=args.hit, but=but, plain=args.plain)

    kit, is_changed = change_kit(cat, args.name, swap)
    if args.hit is None:
        note_taste(cat, args)
    print_kit(cat, kit, args, only=args.slot)
    return note_no_change(is_changed)
