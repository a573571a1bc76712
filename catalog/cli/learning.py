"""Commands about what the library suggests: drums to name, and the taste of the user."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from catalog.cli.output import OK, AddCommand, hit_number, print_message, print_result
from catalog.cli.summary import hits_of
from catalog.cli.table import hit_lines
from catalog.errors import ParameterError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit
    from catalog.search.drums.groups import DrumGroup

PLAIN_HELP = "without what was learned from your choices, see `catalog taste`"
FORGET_HINT = "`catalog taste --forget` forgets them"


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    drums = command("drums", "list hits without a name that look like strokes of one drum", _drums)
    drums.add_argument(
        "hit", nargs="?", type=hit_number, help="only the group of this hit, with all its hits"
    )
    drums.add_argument("--all", action="store_true", help="list all hits of all groups")
    drums.add_argument("--name", metavar="NAME", help="they are one drum of this name")
    drums.add_argument("--damping", choices=("open", "damped"), help="with --name")
    drums.add_argument(
        "--without", nargs="+", type=hit_number, default=[], metavar="HIT",
        help="hits that are not of that drum, with --name",
    )  # fmt: skip
    drums.add_argument("--not", action="store_true", dest="refuse", help="they are not one drum")
    taste = command("taste", "show what was learned from your choices, or forget them", _taste)
    taste.add_argument("--forget", action="store_true", help="forget all choices made so far")


def _drums(cat: Catalog, args: argparse.Namespace) -> int:
    _check_drums(args)
    if args.refuse:
        ids = cat.drums.group_of(args.hit).hit_ids
        cat.drums.refuse(ids)
        text = f"{len(ids)} hits are not one drum; `catalog undo` takes that back"
        print_result({"refused": ids}, [text], as_json=args.json)
        return OK
    if args.name is not None:
        return _name_drum(cat, args)
    groups = cat.drums.groups() if args.hit is None else [cat.drums.group_of(args.hit)]
    is_whole = args.all or args.hit is not None
    lines = [line for group in groups for line in _group_lines(cat, group, is_whole)]
    if groups:
        lines += ["`catalog drums HIT --name NAME` names a group, `--not` refuses it"]
    print_result(groups, [*lines, f"{len(groups)} groups"], as_json=args.json)
    return OK


def _check_drums(args: argparse.Namespace) -> None:
    if args.hit is None and (args.refuse or args.name is not None):
        raise ParameterError("give a hit of the group as well, such as `catalog drums 42 --not`")
    if args.refuse and args.name is not None:
        raise ParameterError("give --name or --not, not both")
    if args.name is None and (args.without or args.damping):
        raise ParameterError("--without and --damping need --name")


def _name_drum(cat: Catalog, args: argparse.Namespace) -> int:
    group = cat.drums.group_of(args.hit)
    if unknown := set(args.without) - set(group.hit_ids):
        raise ParameterError(f"hit {min(unknown)} is not in the group of hit {args.hit}")
    ids = [hit_id for hit_id in group.hit_ids if hit_id not in args.without]
    if not ids:
        raise ParameterError("--without leaves no hit to name; `--not` refuses the whole group")
    hits = cat.drums.name(ids, args.name, damping=args.damping or "")
    columns = ("id", "name", "role", "session", "drum", "damping")
    print_result(hits, hit_lines(cat, hits, columns=columns), as_json=args.json)
    if hint := roles_hint(group.role, hits):
        print_message(hint)
    return OK


def roles_hint(role: str, hits: Sequence[Hit]) -> str:
    """Return how to give all hits of a drum its role, "" if they have one role."""
    others = [str(hit.id) for hit in hits if hit.role != role]
    if not others:
        return ""
    counted = "1 hit has" if len(others) == 1 else f"{len(others)} hits have"
    return f"{counted} another role; `catalog role {role} {' '.join(others)}` gives all of them one"


def _group_lines(cat: Catalog, group: DrumGroup, is_whole: bool) -> list[str]:
    """Return the line of a group, and its hits if they are wanted."""
    from catalog.library.review.gaps import plain_role  # numpy, which only this needs

    damping = f", {group.damping}" if group.damping else ""
    place = f", in {group.session}" if group.session else ""
    role = plain_role(group.role)
    head = f"{len(group.hit_ids)} hits look like one drum ({role}{damping}{place})"
    if not is_whole:
        return [f"{head}: hit {group.hit_ids[0]} and others"]
    hits = hits_of(cat, group.hit_ids)
    return [f"{head}:", *hit_lines(cat, hits, columns=("id", "name", "role", "length")), ""]


def _taste(cat: Catalog, args: argparse.Namespace) -> int:
    if args.forget:
        n = cat.taste.forget()
        text = f"{n} choice{'s' * (n != 1)} forgotten; `catalog undo` takes that back"
        print_result({"forgotten": n}, [text], as_json=args.json)
        return OK
    report = cat.taste.report()
    if report.is_used:
        words = ", ".join(report.prefers) or "no clear preference"
        lines = [f"learned from {report.n_choices} choices: {words}; {FORGET_HINT}"]
    else:
        lines = [
            f"{report.n_choices} choices so far; from {report.needed} on they move `similar`,"
            " `fill` and `swap`"
        ]
    print_result(report, lines, as_json=args.json)
    return OK


def note_taste(cat: Catalog, args: argparse.Namespace) -> None:
    """Print that the order depends on the user's choices, if it does."""
    report = cat.taste.report()
    if report.is_used and not args.plain:
        print_message(
            f"learned from {report.n_choices} choices, --plain leaves that out; {FORGET_HINT}"
        )
