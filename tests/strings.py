"""Print every text that a person can see, to be read in one go: `python -m tests.strings`.

Texts are found by their form, so that some others are listed with them: in Python the strings that
hold a space and are no docstring, in the page's scripts the quoted ones that hold a space.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

PACKAGE = Path(__file__).parents[1] / "catalog"
WITHOUT = ("training", "store/schema.py", "search_rows", "conditions/sql.py")
IN_SCRIPT = re.compile(r"'((?:[^'\\\n]|\\.)*)'|`((?:[^`\\]|\\.)*)`")
SQL = re.compile(r"\b(SELECT|INSERT|UPDATE|DELETE|CREATE|PRAGMA|WHERE|ORDER BY|FROM|AND)\b")
LAYOUT = re.compile(r"^[\w.-]+( [\w.-]+)*$|=>|var\(--|^\s*<|\bpx\b|^M ")  # classes, styles, paths


def texts_of_python(path: Path) -> Iterator[str]:
    """Yield the strings of a module with their values as {name}."""
    tree = ast.parse(path.read_text("utf-8"))
    left_out = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            left_out |= {id(part) for part in node.values}
            yield "".join(
                part.value if isinstance(part, ast.Constant) else f"{{{ast.unparse(part.value)}}}"
                for part in node.values
                if isinstance(part, ast.Constant | ast.FormattedValue)
            )
    for node in ast.walk(tree):
        is_text = isinstance(node, ast.Constant) and isinstance(node.value, str)
        if is_text and id(node) not in left_out:
            yield node.value


def texts_of_script(path: Path) -> Iterator[str]:
    """Yield the quoted strings and templates of a script of the page."""
    for plain, template in IN_SCRIPT.findall(path.read_text("utf-8")):
        yield plain or template


def is_read(text: str) -> bool:
    """Return whether a text seems to be written for a person."""
    return " " in text.strip() and not SQL.search(text) and bool(re.search("[a-z]{2}", text))


def main() -> None:
    for path in sorted([*PACKAGE.rglob("*.py"), *PACKAGE.rglob("*.js")]):
        name = path.relative_to(PACKAGE).as_posix()
        if any(part in name for part in WITHOUT):
            continue
        is_script = path.suffix == ".js"
        found = dict.fromkeys(texts_of_script(path) if is_script else texts_of_python(path))
        read = [" ".join(text.split()) for text in found if is_read(text)]
        read = [text for text in read if not (is_script and LAYOUT.search(text))]
        if read:
            print(f"\n{name}", *read, sep="\n  ")


if __name__ == "__main__":
    main()
