"""The command that shows the guides."""

from __future__ import annotations

from catalog.cli.output import OK, AddCommand, print_result
from catalog.guide import list_subjects, read_guide


def add_commands(command: AddCommand) -> None:
    """Add the command of this module."""
    guide = command("guide", "list the guides, or show one")
    guide.add_argument("subject", nargs="?", help="as `catalog guide` lists it")


def show_guide(subject: str | None, *, as_json: bool) -> int:
    """Print one guide, or the list of subjects."""
    if subject is not None:
        text = read_guide(subject)
        print_result({"subject": subject, "text": text}, text.splitlines(), as_json=as_json)
        return OK
    subjects = list_subjects()
    lines = [f"{name:<12} {title}" for name, title in subjects.items()]
    print_result(subjects, lines, as_json=as_json)
    return OK
