"""Run the commands of README.md and the guides; `python -m tests.walk --write` renews them."""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
import shutil
import sys
import tempfile
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
GUIDES = sorted((ROOT / "catalog" / "guide").glob("*.md"))
DOCUMENTS = [README, *GUIDES]
PROMPT, INDENT, LEFT_OUT = "    $ catalog ", "    ", "    …"
PYTHON = ("    from ", "    import ")  # how a block of Python begins
HOME = "/home/you/drums"  # printed in place of the temporary working folder
AUDIO = (".wav", ".flac")
SCAN = "scan recordings"  # run once for all documents
WIDTH = 110  # characters of a line of output
N_HEAD, N_TAIL = 4, 1  # lines to show of the long output of a new command
TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|\+00:00)?")
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+(?!\w)|(?= (?:ms|Hz|dB|c|s|m|LKFS|kHz)\b|%| %))")
ANY_NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?(?!\w)")


@dataclass
class Step:
    """One command or one block of Python, and the lines of output that the document shows."""

    source: str
    is_python: bool = False
    shown: list[str] = field(default_factory=list)


def parse_steps(text: str) -> list[Step]:
    """Return the commands and the blocks of Python of a document, in order."""
    steps: list[Step] = []
    block = ""  # the kind of the block that the line before belongs to
    for line in text.splitlines():
        if line.startswith(PROMPT):
            steps.append(Step(line.removeprefix(PROMPT)))
            block = "command"
        elif not block and line.startswith(PYTHON):
            steps.append(Step(line, is_python=True))
            block = "python"
        elif block == "command" and line.startswith(INDENT):
            steps[-1].shown.append(line)
        elif block == "python" and (line.startswith(INDENT) or not line):
            steps[-1].source += "\n" + line
        else:
            block = "other" if line.startswith(INDENT) else ""
    return steps


@contextlib.contextmanager
def demo_folder() -> Iterator[Path]:
    """Copy the demo library to `recordings` in a new folder and make that the working folder."""
    with tempfile.TemporaryDirectory() as folder:
        for path in (ROOT / "demo_library").rglob("*"):
            if path.suffix.lower() in AUDIO:
                target = Path(folder, "work", "recordings", path.relative_to(ROOT / "demo_library"))
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(path, target)
        with contextlib.chdir(Path(folder, "work")):
            yield Path(folder, "work")


class Walk:
    """A demo library that is scanned once and put back into that state for each document."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.store = folder / "walk.sqlite"
        self._scanned = folder.with_name("scanned")
        self._scan_output = run(SCAN, store=self.store)
        shutil.copytree(folder, self._scanned)

    def outputs(self, steps: Sequence[Step]) -> list[list[str]]:
        """Run the steps of one document and return what each prints."""
        self._reset()
        return [self._run(step, is_first=i == 0) for i, step in enumerate(steps)]

    def _reset(self) -> None:
        for path in self.folder.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.copytree(self._scanned, self.folder, dirs_exist_ok=True)

    def _run(self, step: Step, *, is_first: bool) -> list[str]:
        if step.is_python:
            return run_python(step.source)
        if step.source == SCAN and is_first:
            return self._scan_output
        return run(step.source, store=self.store)


def run(command: str, *, store: Path) -> list[str]:
    """Run one command and return the lines of its result; messages beside it are not shown."""
    from catalog.__main__ import main

    os.environ["COLUMNS"] = str(WIDTH)  # as on a terminal of this width
    own = [] if command.split()[0] == "guide" else ["--store", str(store)]
    out, messages = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(messages):
        code = main([*shlex.split(command), *own])
    assert code != 2, f"catalog {command}: {messages.getvalue()}"
    text = out.getvalue().replace(str(Path.cwd()), HOME)
    return [(INDENT + line).rstrip() for line in text.splitlines()]


def run_python(source: str) -> list[str]:
    """Run one block of Python and return the lines that it prints."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        exec(compile(textwrap.dedent(source), "document", "exec"), {})
    return [(INDENT + line).rstrip() for line in out.getvalue().splitlines()]


def mask(line: str) -> tuple[str, list[float]]:
    """Split a line into its words and its measured numbers, which may differ between machines.

    Hit numbers, counts and digits in file names are words.
    """
    line = TIME.sub("TIME", line)
    pattern = ANY_NUMBER if "LKFS" in line else NUMBER
    return pattern.sub("#", line), [float(number) for number in pattern.findall(line)]


def trim(lines: list[str], shown: list[str]) -> list[str]:
    """Keep as many first and last lines as the document shows; all of them without `LEFT_OUT`."""
    if not shown and len(lines) > N_HEAD + N_TAIL:
        shown = [""] * N_HEAD + [LEFT_OUT] + [""] * N_TAIL
    if LEFT_OUT not in shown:
        return lines
    n_head = shown.index(LEFT_OUT)
    n_tail = len(shown) - n_head - 1
    return [*lines[:n_head], LEFT_OUT, *lines[len(lines) - n_tail :]]


def rewrite(text: str, steps: Sequence[Step], outputs: Sequence[list[str]]) -> str:
    """Return the document with the outputs of its commands renewed."""
    at = 0
    for step, output in zip(steps, outputs, strict=True):
        if step.is_python:
            continue
        old = "\n".join([PROMPT + step.source, *step.shown])
        lines = trim(output, step.shown)
        if [TIME.sub("", line) for line in lines] == [TIME.sub("", line) for line in step.shown]:
            lines = step.shown  # a new time is no change
        new = "\n".join([PROMPT + step.source, *lines])
        at = text.index(old + "\n", at)
        text = text[:at] + new + text[at + len(old) :]
        at += len(new)
    return text


def main() -> None:
    """Run every document, and write the new outputs with `--write`."""
    names = [name for name in sys.argv[1:] if not name.startswith("-")]
    with demo_folder() as folder:
        walk = Walk(folder)
        for path in DOCUMENTS:
            if names and path.stem not in names:
                continue
            text = path.read_text("utf-8")
            steps = parse_steps(text)
            new = rewrite(text, steps, walk.outputs(steps))
            print(f"{path.name}: {len(steps)} steps{', changed' * (new != text)}")
            if "--write" in sys.argv:
                path.write_text(new, "utf-8")


if __name__ == "__main__":
    main()
