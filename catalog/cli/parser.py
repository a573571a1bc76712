"""What can be said on the command line: all verbs, and what they share."""

from __future__ import annotations

import argparse

from catalog.cli import files, guide, kits, library, page, review, search, takes


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

    for family in (library, takes, review, files, search, kits, page, guide):
        family.add_verbs(verb)
    return parser
