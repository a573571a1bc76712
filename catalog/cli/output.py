"""How the command line prints: names made harmless, results as lines or JSON, progress as bars."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import sys
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit, Progress

FINE, NOT_ALL, WRONG = 0, 1, 2  # exit codes
SLOW_MAP = "the first map on a new machine compiles for up to a minute or more"
Run = Callable[["Catalog", argparse.Namespace], int]
AddVerb = Callable[[str, str], argparse.ArgumentParser]
STEPS = {"laying out": f"laying out the map ({SLOW_MAP})"}


def escape(text: object) -> str:
    """Give a text that cannot move the cursor or change colours: control characters spelled out."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(text)
    )


def print_line(text: object) -> None:
    """Print a result."""
    print(escape(text))


def say(text: object) -> None:
    """Print a message beside the results."""
    print(escape(text), file=sys.stderr)


def emit(value: object, lines: Iterable[object], *, as_json: bool) -> None:
    """Print either the value as JSON or the lines."""
    if as_json:
        print(json.dumps(plain(value), indent=2))
        return
    for line in lines:
        print_line(line)


def plain(value: Any) -> Any:
    """Turn what the catalog hands out into what JSON can hold; numbers not defined become null."""
    if dataclasses.is_dataclass(value):
        fields = dataclasses.fields(value)
        return {field.name: plain(getattr(value, field.name)) for field in fields}
    if hasattr(value, "_asdict"):
        return plain(value._asdict())
    if isinstance(value, Mapping):
        return {str(key): plain(part) for key, part in value.items()}
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(part) for part in value]
    return value if value is None or isinstance(value, str | int) else str(value)


def hit_line(hit: Hit) -> str:
    """One hit in one line: number, role and how sure, where it comes from."""
    where = f"{hit.session} / {hit.drum}" + (f" / {hit.microphone}" if hit.microphone else "")
    path = f"{short_path(hit.path)}" + (f" + {hit.mate.name}" if hit.mate else "")
    return f"{hit.id:>6}  {hit.role:<13} {hit.role_confidence:4.0%}  {where}  {path}"


def short_path(path: Path) -> Path:
    """Give a path as seen from the working folder where it lies below it."""
    with suppress(ValueError, OSError):  # the working folder may have gone
        return path.relative_to(Path.cwd())
    return path


class Bar:
    """Shows `Progress` records as a bar on standard error, one bar a step."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._step = ""

    def __call__(self, progress: Progress) -> None:
        """Show how far the work is."""
        from tqdm import tqdm

        if progress.step != self._step:
            self.close()
            self._step = progress.step
            self._bar = tqdm(desc=STEPS.get(progress.step, progress.step), file=sys.stderr)
        self._bar.total = progress.total or None
        self._bar.update(progress.done - self._bar.n)

    def close(self) -> None:
        """End the bar that is shown."""
        if self._bar is not None:
            self._bar.close()
        self._bar, self._step = None, ""

    def __enter__(self) -> Bar:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
