"""The walk of README.md: its commands and what they print; `python -m tests.walk` renews it."""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
PROMPT, INDENT, LEFT_OUT = "    $ catalog ", "    ", "    …"
AUDIO = (".wav", ".flac")


@dataclass
class Step:
    """A command of the walk and the lines that README shows of what it prints."""

    command: str
    shown: list[str] = field(default_factory=list)


def steps_of(text: str) -> list[Step]:
    """The commands of the walk in their order."""
    steps: list[Step] = []
    is_inside = False
    for line in text.splitlines():
        if line.startswith(PROMPT):
            steps.append(Step(line.removeprefix(PROMPT)))
            is_inside = True
        elif is_inside and line.startswith(INDENT):
            steps[-1].shown.append(line)
        else:
            is_inside = False
    return steps


@contextlib.contextmanager
def demo_folder() -> Iterator[Path]:
    """A folder of its own with the demo library copied to `recordings`, as the walk asks for."""
    with tempfile.TemporaryDirectory() as folder:
        for path in (ROOT / "demo_library").rglob("*"):
            if path.suffix.lower() in AUDIO:
                target = Path(folder, "recordings", path.relative_to(ROOT / "demo_library"))
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(path, target)
        with contextlib.chdir(folder):
            yield Path(folder)


def run(command: str, *, store: Path) -> list[str]:
    """What a command prints as its result; what it says beside that is not shown in README."""
    from catalog.__main__ import main

    out = io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        code = main([*shlex.split(command), "--store", str(store)])
    assert code != 2, command
    return [INDENT + line.rstrip() for line in out.getvalue().splitlines()]


def mask(line: str) -> tuple[str, list[float]]:
    """A line without its numbers, and the numbers: they may differ a little between machines."""
    numbers = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", line)]
    return re.sub(r"\d+(?:\.\d+)?", "#", line), numbers


def trimmed(lines: list[str], shown: list[str]) -> list[str]:
    """As many first and last lines as were shown before."""
    if LEFT_OUT not in shown:
        return lines[: len(shown)]
    before = shown.index(LEFT_OUT)
    after = len(shown) - before - 1
    return [*lines[:before], LEFT_OUT, *lines[len(lines) - after :]]


def main() -> None:
    """Write what the commands print now into README.md."""
    text = README.read_text("utf-8")
    with demo_folder() as folder:
        for step in steps_of(text):
            lines = trimmed(run(step.command, store=folder / "walk.sqlite"), step.shown)
            old = "\n".join([PROMPT + step.command, *step.shown])
            text = text.replace(old, "\n".join([PROMPT + step.command, *lines]))
    README.write_text(text, "utf-8")


if __name__ == "__main__":
    main()
