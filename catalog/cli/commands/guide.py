"""The command that shows the guides."""

from __future__ import annotations

import argparse

from catalog.cli.output import OK, AddCommand, print_result
from catalog.guide import list_subjects, read_guide


def add_commands(command: AddCommand) -> None:
    """Add the command of this module."""
    guide = command("guide", "list the guides, or show one", _guide)
    guide.set_defaults(needs_store=False)
    guide.add_argument("subject", nargs="?", help="as listed by `catalog guide`")


def _guide(_: object, args: argparse.Namespace) -> int:
    if args.subject is not None:
        text = read_guide(args.subject)
        value = {"subject": args.subject, "text": text}
        print_result(value, text.splitlines(), as_json=args.json)
        return OK
    subjects = list_subjects()
    lines = [f"{name:<12} {title}" for name, title in subjects.items()]
    print_result(subjects, lines, as_json=args.json)
    return OK
