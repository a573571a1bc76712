"""The verb that shows the guides."""

from __future__ import annotations

from catalog.cli.output import FINE, AddVerb, emit
from catalog.guide import list_subjects, read_guide


def add_verbs(verb: AddVerb) -> None:
    """Add the verb that shows the guides."""
    guide = verb("guide", "list the guides, or show one")
    guide.add_argument("subject", nargs="?", help="as `catalog guide` lists it")


def show_guide(subject: str | None, *, as_json: bool) -> int:
    """Print one guide, or the list of subjects."""
    if subject is not None:
        text = read_guide(subject)
        emit({"subject": subject, "text": text}, text.splitlines(), as_json=as_json)
        return FINE
    subjects = list_subjects()
    lines = [f"{name:<12} {title}" for name, title in subjects.items()]
    emit(subjects, lines, as_json=as_json)
    return FINE
