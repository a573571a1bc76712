"""The ES modules that the browser loads: the files under frontend/ and one made from Python."""

from __future__ import annotations

import json
import zlib
from functools import cache
from pathlib import Path

from catalog.web.labels import words_for_browser

FRONTEND = Path(__file__).with_name("frontend")
ENTRY = "main.js"
LOADER = "load.js"  # sent by Streamlit itself, not served as a module
CONSTANTS = "constants.js"
# In the order of the cascade: a later sheet overrides an earlier one.
STYLES = (
    "shared/shared.css",
    "browse/browse.css",
    "kit/kit.css",
    "kit/layer_editor.css",
    "review/duplicates.css",
    "recordings/role_review.css",
    "review/faults.css",
    "recordings/take_cut.css",
)


def read_frontend_file(name: str) -> str:
    """Return the text of one file under frontend/."""
    return FRONTEND.joinpath(name).read_text("utf-8")


def join_styles() -> str:
    """Return all style sheets as one text."""
    return "\n".join(map(read_frontend_file, STYLES))


def constants_module() -> str:
    """Return the source of the module of all constants that Python and the browser share."""
    constants = {"WORDS": words_for_browser(), "STYLE": join_styles()}
    return "".join(f"export const {k} = {json.dumps(v)};\n" for k, v in constants.items())


@cache
def modules() -> dict[str, str]:
    """Return the source of each ES module by its path below frontend/; read once."""
    names = sorted(path.relative_to(FRONTEND).as_posix() for path in FRONTEND.rglob("*.js"))
    sources = {name: read_frontend_file(name) for name in names if name != LOADER}
    return {CONSTANTS: constants_module(), **sources}


@cache
def modules_version() -> str:
    """Return a hash of all modules: part of their address, so that browsers may cache them."""
    return f"{zlib.crc32(json.dumps(modules()).encode()):08x}"


@cache
def loader_script() -> str:
    """Return the component's own script, which loads the modules from the page's route."""
    addresses = [f"/api/audition/{modules_version()}/{name}" for name in (ENTRY, *modules())]
    return read_frontend_file(LOADER).replace("MODULE_ADDRESSES", json.dumps(addresses))
