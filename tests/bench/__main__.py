"""Measure time and memory and write one table into RESULTS.md: `python -m tests.bench [NAME ...]`.

Without names all benches run with small libraries; `--all` adds the large ones. Benches of accuracy
need labelled recordings and are run by themselves; `--list` names them.
"""

from __future__ import annotations

import argparse
import ast
import os
import sys
from collections.abc import Sequence
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy is imported

from tests.bench.table.figures import write_table
from tests.bench.table.measures import BENCHES

FOLDER = Path(__file__).parent


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the named benches, print each figure, and write the table."""
    parser = argparse.ArgumentParser(prog="tests.bench", description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(BENCHES))
    parser.add_argument("--all", action="store_true", help="large libraries too, some ten minutes")
    parser.add_argument(
        "--recordings", metavar="FOLDER", help="FLAC strokes, for the bench of scans"
    )
    parser.add_argument("--dry", action="store_true", help="print figures, write nothing")
    parser.add_argument("--list", action="store_true", help="list the benches that run alone")
    args = parser.parse_args(arguments)
    if unknown := set(args.names) - set(BENCHES):
        parser.error(f"no bench is named {min(unknown)!r}; known are {', '.join(BENCHES)}")
    if args.list:
        for path in sorted(FOLDER.glob("[a-z]*.py")):
            text = ast.get_docstring(ast.parse(path.read_text("utf-8"))) or ""
            print(f"tests.bench.{path.stem}: {text.splitlines()[0]}")
        return 0
    if args.recordings:
        os.environ["RECORDINGS_OF_SCAN"] = args.recordings
    for name in args.names or BENCHES:
        measure, quick, large = BENCHES[name]
        for n_hits in large if args.all else quick:
            figures = list(measure(n_hits))
            for figure in figures:
                print(figure.row("now"), flush=True)
            if not args.dry:
                write_table(figures)
    return 0


if __name__ == "__main__":
    sys.exit(main())
