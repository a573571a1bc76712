"""The argument parser: all commands and their shared options."""

from __future__ import annotations

import argparse

from catalog.cli.commands import files, guide, history, kits, library, page, review, search, takes
from catalog.cli.output import Run


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

    for group in (library, takes, review, files, history, search, kits, page, guide):
        group.add_commands(command)
    return parser
