"""The user's guides: one Markdown file a subject, shown by `catalog guide` and on the page."""

from __future__ import annotations

from pathlib import Path

from catalog.errors import ParameterError

FOLDER = Path(__file__).parent


def list_subjects() -> dict[str, str]:
    """Return the title of each guide by its subject, in alphabetical order."""
    return {path.stem: _title(path) for path in sorted(FOLDER.glob("*.md"))}


def read_guide(subject: str) -> str:
    """Return the Markdown text of one guide.

    Parameters
    ----------
    subject : str
        a key of `list_subjects()`

    Raises
    ------
    ParameterError
        if there is no such guide
    """
    subjects = list_subjects()
    if subject not in subjects:
        raise ParameterError(f"there is no guide {subject!r}; the guides are {', '.join(subjects)}")
    return (FOLDER / f"{subject}.md").read_text("utf-8")


def _title(path: Path) -> str:
    with path.open(encoding="utf-8") as file:
        return file.readline().removeprefix("# ").strip()
