"""What the browser runs: the files under audition/ joined, with the words and the style."""

from __future__ import annotations

import json
import zlib
from functools import cache
from importlib.resources import files

from catalog.page.wording import words_for_browser

SCRIPTS = (
    "engine.js", "parts.js", "marks.js", "map.js", "chosen.js", "pads.js", "twice.js", "main.js",
)  # fmt: skip


def read_part(name: str) -> str:
    """Read one file under audition/."""
    return files("catalog.page").joinpath("audition", name).read_text("utf-8")


@cache
def join_scripts() -> str:
    """Join the scripts into one module; read once."""
    head = (
        f"const WORDS = {json.dumps(words_for_browser())};",
        f"const STYLE = {json.dumps(read_part('audition.css'))};",
    )
    return "\n".join((*head, *map(read_part, SCRIPTS)))


@cache
def script_version() -> str:
    """Give a word that changes when the module does."""
    return f"{zlib.crc32(join_scripts().encode()):08x}"
