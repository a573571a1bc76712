"""Output of the command line: escaped text, results as lines or JSON, progress bars."""

from __future__ import annotations

import argparse
import dataclasses
import json
import math
import os
import sys
import threading
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from catalog.errors import ParameterError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit
    from catalog.reports import Progress

OK, INCOMPLETE, WRONG_CALL = 0, 1, 2  # exit codes; see `catalog guide commands`
NOTHING_CHANGED = "nothing was changed: it was so already"
PLAIN = frozenset({str, int, bool, type(None)})  # values that JSON has
NO_GOOD_HELP = "also hits that are marked no good"
YES_HELP = "make the change; otherwise it is only listed"
SLOW_MAP = "the first map on a new machine takes a minute or more to compile"
Run = Callable[["Catalog", argparse.Namespace], int]
AddCommand = Callable[[str, str, Run], argparse.ArgumentParser]
QUIET = threading.Event()  # set by `--quiet`
STEP_LABELS = {"laying out": "laying out the map"}


def finite(text: str) -> float:
    """Return an option as a finite number, for argparse."""
    value = float(text)
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"{text} must be a finite number")
    return value


def at_least_one(text: str) -> int:
    """Return an option as a whole number of at least 1, for argparse."""
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text}: must be at least 1")
    return int(text)


def hit_number(text: str) -> int:
    """Return an argument as the number of a hit, for argparse."""
    if not text.isdecimal():
        raise argparse.ArgumentTypeError(
            f"{text!r} is no number of a hit; `catalog hits` lists them"
        )
    return int(text)


def folder(text: str) -> Path:
    """Return an argument as a path, for argparse; an empty one is not the working folder."""
    if not text:
        raise argparse.ArgumentTypeError("the name of a folder is empty")
    return Path(text)


def cluster_address(text: str) -> str:
    """Return an argument as the address of a cluster, for argparse."""
    if not text.strip():
        raise argparse.ArgumentTypeError(
            "the address is empty; give one such as tcp://127.0.0.1:8786, or omit --cluster"
        )
    return text


def read_wishes(texts: Iterable[str]) -> dict[str, str]:
    """Return constraints such as "darker" or "centroid_hz=+20%" as the argument `but`."""
    return dict(text.partition("=")[::2] for text in texts)


def escape(text: object) -> str:
    """Return text with control characters escaped, so that it cannot move the cursor."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in str(text)
    )


def print_line(text: object) -> None:
    """Print one line of a result to standard output."""
    print(escape(text))


def print_message(text: object) -> None:
    """Print a message to standard error, unless `--quiet` is given."""
    if not QUIET.is_set():
        print(escape(text), file=sys.stderr)


def print_error(text: object, *, as_json: bool) -> None:
    """Print an error to standard error, or as JSON to standard output."""
    if as_json:
        print(json.dumps({"error": str(text)}, indent=2))
    else:
        print(escape(f"catalog: {text}"), file=sys.stderr)


def note_no_change(is_changed: bool) -> int:
    """Print that nothing was changed if that is so; what was asked for holds, so return `OK`."""
    if not is_changed:
        print_message(NOTHING_CHANGED)
    return OK


def can_ask(args: argparse.Namespace) -> bool:
    """Return whether the user can answer a question: both ends are a terminal, without `--json`."""
    return not args.json and sys.stdin.isatty() and sys.stderr.isatty()


def is_agreed(question: str) -> bool:
    """Put a question on the terminal and return whether it is answered with yes."""
    print(f"{escape(question)} [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().casefold() in ("y", "yes")


def print_result(value: object, lines: Iterable[object], *, as_json: bool) -> None:
    """Print the value as JSON, a list with one line for each of its items, or the lines."""
    if not as_json:
        for line in lines:
            print_line(line)
        return
    plain = to_json_value(value)
    if isinstance(plain, list) and plain:
        print("[\n" + ",\n".join(map(json.dumps, plain)) + "\n]")
    else:
        print(json.dumps(plain, indent=2))


def to_json_value(value: Any) -> Any:
    """Return dataclasses, arrays and paths as values for JSON; NaN and infinity become null."""
    kind: Any = type(value)
    if kind in PLAIN:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if kind is dict:
        return {str(key): to_json_value(part) for key, part in value.items()}
    if dataclasses.is_dataclass(value):
        return {name: to_json_value(getattr(value, name)) for name in _field_names(kind)}
    if hasattr(value, "_asdict"):
        return to_json_value(value._asdict())
    if isinstance(value, Mapping):
        return to_json_value(dict(value))
    if hasattr(value, "tolist"):
        return to_json_value(value.tolist())
    if isinstance(value, float):
        return to_json_value(float(value))
    if isinstance(value, Sequence | set | frozenset) and not isinstance(value, str | bytes):
        return [to_json_value(part) for part in value]
    return value if isinstance(value, str | int) else str(value)


@lru_cache
def _field_names(kind: Any) -> tuple[str, ...]:
    """Return what is printed of a dataclass; of a hit all microphones of its stroke."""
    names = (field.name for field in dataclasses.fields(kind))
    return tuple("microphones" if name == "tied" else name for name in names)


def event_text(hit: Hit) -> str:
    """Return what a hit is if it is no single stroke: " [loop, 110 bpm, 64 strokes]"."""
    if hit.event == "stroke":
        return ""
    facts = [str(hit.event)]
    facts += [f"{hit.tempo_bpm:.0f} bpm"] if hit.tempo_bpm else []
    facts += [f"{hit.n_strokes} strokes"] if hit.n_strokes else []
    return f" [{', '.join(facts)}]"


def format_size(n_bytes: int) -> str:
    """Return a size as "12.3 MB", or in kB if it is small."""
    return f"{n_bytes / 1e6:.1f} MB" if n_bytes >= 100_000 else f"{n_bytes / 1e3:.0f} kB"


def read_regular_file(path: Path) -> bytes:
    """Return the content of a file; a pipe or a device, which could block forever, is an error."""
    if path.exists() and not path.is_file():
        raise ParameterError(f"{path}: is a folder, a pipe or a device; give the path of a file")
    try:
        return path.read_bytes()
    except FileNotFoundError as err:
        raise ParameterError(f"{path}: does not exist; check the name") from err


def refuse_existing(*targets: Path) -> None:
    """Raise `ParameterError` if something is at the path of a new file or folder."""
    for target in targets:
        try:
            os.lstat(target)
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as err:
            raise ParameterError(f"{target}: cannot be used ({err.strerror})") from err
        raise ParameterError(f"{target} exists already; choose a new name")


def short_path(path: Path) -> Path:
    """Return a path relative to the working folder if it lies below it."""
    with suppress(ValueError, OSError):  # the working folder may no longer exist
        return path.relative_to(Path.cwd())
    return path


class ProgressBar:
    """Show `Progress` records on standard error if it is a terminal, one bar per step."""

    def __init__(self) -> None:
        self._bar: Any = None
        self._step = ""

    def __call__(self, progress: Progress) -> None:
        """Update the bar."""
        from tqdm import tqdm

        if progress.step != self._step:
            self.close()
            self._step = progress.step
            label = STEP_LABELS.get(progress.step, progress.step)
            is_hidden = QUIET.is_set() or not sys.stderr.isatty()
            self._bar = tqdm(desc=label, file=sys.stderr, disable=is_hidden)
        self._bar.total = progress.total or None
        self._bar.update(progress.done - self._bar.n)

    def close(self) -> None:
        """Close the current bar."""
        if self._bar is not None:
            self._bar.close()
        self._bar, self._step = None, ""

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
