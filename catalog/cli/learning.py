"""Commands about what was learned from the user: the taste."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from catalog.cli.output import OK, AddCommand, print_message, print_result

if TYPE_CHECKING:
    from catalog.catalog import Catalog

PLAIN_HELP = "without what was learned from your choices, see `catalog taste`"
FORGET_HINT = "`catalog taste --forget` forgets them"


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    taste = command("taste", "show what was learned from your choices, or forget them", _taste)
    taste.add_argument("--forget", action="store_true", help="forget all choices made so far")


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
