"""Compute the map of the demo library and write it to `map.csv`: `python -m demo_library.map`.

With it the page shows a finished map at once, without the library that computes maps, whose
compilation takes most of a first start.
"""

from __future__ import annotations

import csv
import shutil
import tempfile
from pathlib import Path

from catalog import Catalog
from catalog.services.demo import DEMO_MAP, copy_demo

FOLDER = Path(__file__).parent


def main() -> None:
    """Write `map.csv`."""
    with tempfile.TemporaryDirectory() as temporary:
        library = copy_demo(Path(temporary) / "library")
        with Catalog.open(Path(temporary) / "demo.sqlite") as cat:
            cat.scan([library])
            layout = cat.map.compute()
            places = dict(zip(layout.hit_ids.tolist(), layout.xy.tolist(), strict=True))
            hits = sorted(cat.hits(), key=lambda hit: (hit.path, hit.region))
        rows = [
            (hit.path.relative_to(library).as_posix(), hit.region, *places[hit.id]) for hit in hits
        ]
        written = Path(temporary) / DEMO_MAP
        with written.open("w", encoding="utf-8", newline="") as file:
            table = csv.writer(file, lineterminator="\n")
            table.writerow(("path", "region", "x", "y"))
            table.writerows((path, region, f"{x:.4f}", f"{y:.4f}") for path, region, x, y in rows)
        shutil.copyfile(written, FOLDER / DEMO_MAP)


if __name__ == "__main__":
    main()
