"""The argument parser: all commands and their shared options."""

from __future__ import annotations

import argparse
import difflib
import os
import re
import sys
from collections.abc import Iterable, Sequence
from typing import NoReturn, cast

from catalog.cli import fill, learning
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
from catalog.cli.output import WRONG_CALL, Run, print_error
from catalog.cli.selection import join_values

UNKNOWN = r"argument COMMAND: invalid choice: '(.*?)' \(choose from (.*)\)"  # a message of argparse
USAGES = {"hits": "catalog hits [OPTIONS] [HITS ...]"}  # where the options would fill the screen


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of all commands; `args.run` is the function of the chosen one."""
    shared = _Parser(add_help=False, argument_default=argparse.SUPPRESS)
    shared.add_argument("--store", metavar="FILE", help="the SQLite file with all results")
    shared.add_argument("--json", action="store_true", help="print JSON for other programs")
    amount = shared.add_mutually_exclusive_group()
    amount.add_argument("--quiet", action="store_true", help="print results and errors only")
    amount.add_argument("--verbose", action="store_true", help="also print the store and the time")
    raw = argparse.RawDescriptionHelpFormatter
    parser = _Parser(
        prog="catalog", parents=[shared], formatter_class=raw, usage="catalog COMMAND ...",
        description="Find, organize and combine your own recorded drum hits.",
    )  # fmt: skip
    parser.add_argument("--version", action=_PrintVersion, nargs=0, help="print the version")
    commands = parser.add_subparsers(
        dest="command", required=True, metavar="COMMAND", help=argparse.SUPPRESS, prog="catalog",
        parser_class=_Parser,
    )  # fmt: skip
    texts: dict[str, str] = {}

    def command(name: str, text: str, run: Run) -> argparse.ArgumentParser:
        texts[name] = text
        example = f"example:\n  {EXAMPLES[name]}" if name in EXAMPLES else None
        added = commands.add_parser(
            name, help=text, description=text, parents=[shared], epilog=example,
            formatter_class=raw, usage=USAGES.get(name),
        )  # fmt: skip
        added.set_defaults(run=run, needs_store=True)
        return added

    for group in (
        library,
        annotate,
        takes,
        review,
        files,
        history,
        search,
        fill,
        learning,
        kits,
        page,
    ):
        group.add_commands(command)
    parser.epilog = group_text(texts)
    return parser


class _Parser(argparse.ArgumentParser):
    """A parser whose errors name the nearest command or option, as JSON if that is wanted."""

    as_json = False

    def error(self, message: str) -> NoReturn:
        if found := re.match(UNKNOWN, message):
            known = re.findall(r"'(.*?)'", found[2])
            near = _suggest(found[1], known)
            message = f"no command is named {found[1]!r}; {near}`catalog --help` lists the commands"
        if _Parser.as_json:
            print_error(message, as_json=True)
            self.exit(WRONG_CALL)
        super().error(message)

    def refuse_options(self, words: Sequence[str]) -> NoReturn:
        """End with an error that names options that this command does not have."""
        option = next((word for word in words if word.startswith("-")), words[0])
        name = option.partition("=")[0]
        near = _suggest(name, self._option_string_actions) if option.startswith("-") else ""
        what = "option" if option.startswith("-") else "argument"
        self.error(f"{name}: no such {what}; {near}`{self.prog} --help` lists the {what}s")


def _suggest(word: str, known: Iterable[str]) -> str:
    near = difflib.get_close_matches(word, list(known), n=1, cutoff=0.65)
    return f"did you mean {near[0]}? " if near else ""


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
    _Parser.as_json = "--json" in joined
    args, left = parser.parse_known_args(joined)
    is_word = [text == "-" or not text.startswith("-") for text in left]
    if left and not (all(is_word) and getattr(args, "takes_hits", False)):
        (commands,) = (action for action in parser._actions if action.dest == "command")
        cast(dict[str, _Parser], commands.choices)[args.command].refuse_options(left)
    if left:
        args.hits = [*args.hits, *left]
    return args
