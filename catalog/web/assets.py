"""What the browser runs: the files under frontend/ joined, with the words and the style."""

from __future__ import annotations

import json
import zlib
from functools import cache
from importlib.resources import files

from catalog.web.labels import words_for_browser

# In the order in which they are run: what all views share, then one folder a view, then the start.
SCRIPTS = (
    "shared/engine.js",
    "shared/parts.js",
    "shared/marks.js",
    "shared/said.js",
    "listen/points.js",
    "listen/paint.js",
    "listen/over.js",
    "listen/hands.js",
    "listen/map.js",
    "listen/pictures.js",
    "listen/rows.js",
    "listen/wishes.js",
    "listen/opinion.js",
    "listen/compare.js",
    "listen/outside.js",
    "listen/chosen.js",
    "listen/region.js",
    "listen/bar.js",
    "kit/table.js",
    "kit/strike.js",
    "kit/player.js",
    "kit/midi.js",
    "kit/drag.js",
    "kit/pads.js",
    "kit/cards.js",
    "kit/strokes.js",
    "kit/bar.js",
    "listen/listen.js",
    "kit/kit.js",
    "twice/overlay.js",
    "twice/pair.js",
    "twice/twice.js",
    "round/round.js",
    "faults/faults.js",
    "cut/cut.js",
    "shared/main.js",
)
STYLES = (
    "shared/shared.css",
    "listen/listen.css",
    "kit/kit.css",
    "kit/strokes.css",
    "twice/twice.css",
    "round/round.css",
    "faults/faults.css",
    "cut/cut.css",
)


def read_part(name: str) -> str:
    """Read one file under frontend/."""
    return files("catalog.web").joinpath("frontend", name).read_text("utf-8")


def join_styles() -> str:
    """Join the style sheets into one."""
    return "\n".join(map(read_part, STYLES))


@cache
def join_scripts() -> str:
    """Join the scripts into one module; read once."""
    head = (
        f"const WORDS = {json.dumps(words_for_browser())};",
        f"const STYLE = {json.dumps(join_styles())};",
    )
    return "\n".join((*head, *map(read_part, SCRIPTS)))


@cache
def script_version() -> str:
    """Give a word that changes when the module does."""
    return f"{zlib.crc32(join_scripts().encode()):08x}"
