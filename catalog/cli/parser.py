"""The argument parser: all commands and their shared options."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from catalog.cli.commands import (
    annotate,
    files,
    history,
    kits,
    library,
    page,
    review,
    search,
    takes,
)
from catalog.cli.output import Run
from catalog.cli.selection import join_values


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; `args.run` is the function of the chosen one."""
    shared = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    shared.add_argument("--store", metavar="FILE", help="the SQLite file with all results")
    shared.add_argument("--json", action="store_true", help="print JSON for other programs")
    parser = argparse.ArgumentParser(
        prog="catalog", parents=[shared],
        description="Find, organize and combine your own recorded drum hits.",
    )  # fmt: skip
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")

    def command(name: str, text: str, run: Run) -> argparse.ArgumentParser:
        added = commands.add_parser(name, help=text, description=text, parents=[shared])
        added.set_defaults(run=run, needs_store=True)
        return added

    for group in (library, annotate, takes, review, files, history, search, kits, page):
        group.add_commands(command)
    return parser


def parse_arguments(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """Parse the arguments of the command line, by default those of this process.

    Hits may stand on both sides of options; argparse leaves those after an option over.
    """
    parser = make_parser()
    joined = join_values(sys.argv[1:] if arguments is None else arguments)
    args, left = parser.parse_known_args(joined)
    is_word = [text == "-" or not text.startswith("-") for text in left]
    if left and not (all(is_word) and getattr(args, "takes_hits", False)):
        parser.error(f"unrecognized arguments: {' '.join(left)}")
    if left:
        args.hits = [*args.hits, *left]
    return args
