"""The argument parser: all commands and their shared options."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from catalog.cli import fill
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
from catalog.cli.groups import EXAMPLES, group_text
from catalog.cli.output import Run
from catalog.cli.selection import join_values


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; `args.run` is the function of the chosen one."""
    shared = argparse.ArgumentParser(add_help=False, argument_default=argparse.SUPPRESS)
    shared.add_argument("--store", metavar="FILE", help="the SQLite file with all results")
    shared.add_argument("--json", action="store_true", help="print JSON for other programs")
    amount = shared.add_mutually_exclusive_group()
    amount.add_argument("--quiet", action="store_true", help="print results and errors only")
    amount.add_argument("--verbose", action="store_true", help="also print the store and the time")
    raw = argparse.RawDescriptionHelpFormatter
    parser = argparse.ArgumentParser(
        prog="catalog", parents=[shared], formatter_class=raw, usage="catalog COMMAND ...",
        description="Find, organize and combine your own recorded drum hits.",
    )  # fmt: skip
    parser.add_argument("--version", action=_PrintVersion, nargs=0, help="print the version")
    commands = parser.add_subparsers(
        dest="command", required=True, metavar="COMMAND", help=argparse.SUPPRESS
    )
    texts: dict[str, str] = {}

    def command(name: str, text: str, run: Run) -> argparse.ArgumentParser:
        texts[name] = text
        example = f"example:\n  {EXAMPLES[name]}" if name in EXAMPLES else None
        added = commands.add_parser(
            name, help=text, description=text, parents=[shared], epilog=example,
            formatter_class=raw,
        )  # fmt: skip
        added.set_defaults(run=run, needs_store=True)
        return added

    for group in (library, annotate, takes, review, files, history, search, fill, kits, page):
        group.add_commands(command)
    parser.epilog = group_text(texts)
    return parser


class _PrintVersion(argparse.Action):
    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from catalog import __version__

        print(f"catalog {__version__}")
        parser.exit()


def parse_arguments(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """Parse the arguments of the command line, by default those of this process.

    Hits may stand on both sides of options; argparse leaves those after an option over.
    """
    parser = make_parser()
    if "_ARGCOMPLETE" in os.environ:  # the shell asks for completions
        import argcomplete

        argcomplete.autocomplete(parser)
    joined = join_values(sys.argv[1:] if arguments is None else arguments)
    args, left = parser.parse_known_args(joined)
    is_word = [text == "-" or not text.startswith("-") for text in left]
    if left and not (all(is_word) and getattr(args, "takes_hits", False)):
        parser.error(f"unrecognized arguments: {' '.join(left)}")
    if left:
        args.hits = [*args.hits, *left]
    return args
