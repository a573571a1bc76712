"""Generate the demo library: `python demo_library/generate.py` (about two minutes, 10 MB).

Every file is computed; nothing is recorded. The same machine and versions give the same bytes.
Only the files listed in `truth.csv` are written.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from demo_library.exports import write_exports, write_faults
from demo_library.maker.write import Truth, write_truth
from demo_library.perform import perform
from demo_library.sessions import SESSIONS


def generate(root: Path) -> list[Truth]:
    """Compute all sessions, the copies and the damaged files; write and return the truth table."""
    rows: list[Truth] = []
    for session in SESSIONS:
        rows += perform(session, root)
        print(f"{session.name}: {len(rows)} files so far", flush=True)
    rows = write_faults(rows + write_exports(rows, root), root)
    write_truth(rows, root / "truth.csv")
    return rows


def main() -> None:
    """Generate the library and print its size."""
    parser = argparse.ArgumentParser(description="Generate the demo library.")
    parser.add_argument("--into", type=Path, default=Path(__file__).parent, metavar="FOLDER")
    root = parser.parse_args().into
    rows = generate(root)
    size = sum((root / row.path).stat().st_size for row in rows)
    print(f"{len(rows)} files, {size / 1e6:.1f} MB in {root}")


if __name__ == "__main__":
    main()
