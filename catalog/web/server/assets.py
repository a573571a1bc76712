"""The ES modules that the browser loads: the files under frontend/ and one made from Python."""

from __future__ import annotations

import json
import tomllib
import zlib
from functools import cache
from pathlib import Path
from typing import Any

from catalog.features.descriptors.table import DESCRIPTORS
from catalog.kit.phrase import CHOKE_S
from catalog.kit.slots import DEFAULT_SLOTS
from catalog.library.store.records.annotations import MAX_REMARK, MAX_TAG
from catalog.library.takes.regions import MIN_REGION_S
from catalog.web.labels import browser_labels
from catalog.web.payloads import MAX_IDS, MAX_UPLOAD_BYTES, N_PEAKS, SCALES

FRONTEND = Path(__file__).parents[1] / "frontend"
LOOK = Path(__file__).parents[1] / "look.toml"
# Streamlit narrows its page until the first run has widened it; what is shown would move.
WIDE = "<style>.stMainBlockContainer {max-width: none !important}</style>"
ENTRY = "main.js"
LOADER = "load.js"  # sent by Streamlit itself, not served as a module
CONSTANTS = "constants.js"
# In the order of the cascade: a later sheet overrides an earlier one.
STYLES = (
    "shared/shared.css", "workbench/workbench.css", "find/drums.css", "kit/kit.css",
    "kit/layer_editor.css",
    "duplicates/duplicates.css", "recordings/role_review.css", "review/faults.css",
    "recordings/take_cut.css",
)  # fmt: skip


@cache
def read_frontend_file(name: str) -> str:
    """Return the text of one file under frontend/."""
    return FRONTEND.joinpath(name).read_text("utf-8")


def join_styles() -> str:
    """Return all style sheets as one text."""
    return "\n".join(map(read_frontend_file, STYLES))


def map_colors() -> dict[str, dict[str, str]]:
    """Return the colors of the page that the map draws with, for the light and the dark theme."""
    theme = tomllib.loads(LOOK.read_text("utf-8"))["theme"]
    return {
        scheme: {"background": colors["backgroundColor"], "accent": colors["primaryColor"]}
        for scheme, colors in theme.items()
        if scheme in ("light", "dark")
    }


def shared_constants() -> dict[str, Any]:
    """Return what Python and the browser must agree on, by the name of the browser's constant."""
    return {
        **browser_labels(),
        "SCALES": list(SCALES), "N_PEAKS": N_PEAKS, "MAX_IDS": MAX_IDS,
        "MAX_UPLOAD_BYTES": MAX_UPLOAD_BYTES, "MAX_TAG": MAX_TAG, "MAX_REMARK": MAX_REMARK,
        "MIN_REGION_S": MIN_REGION_S, "CHOKE_S": CHOKE_S, "DEFAULT_SLOTS": DEFAULT_SLOTS,
        "THEME": map_colors(),
        "NUMBERS": {d.name: [d.label, d.unit] for d in DESCRIPTORS},
        "STYLE": join_styles(),
    }  # fmt: skip


def constants_module() -> str:
    """Return the source of the module that exports each of the shared constants."""
    return "".join(f"export const {k} = {json.dumps(v)};\n" for k, v in shared_constants().items())


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
def index_page() -> str:
    """Return the document of Streamlit's page, with its full width from the start."""
    import streamlit

    index = Path(streamlit.__file__).with_name("static") / "index.html"
    return index.read_text("utf-8").replace("</head>", f"{WIDE}</head>", 1)


@cache
def loader_script() -> str:
    """Return the component's own script, which loads the modules from the page's route."""
    addresses = [f"/api/audition/{modules_version()}/{name}" for name in (ENTRY, *modules())]
    return read_frontend_file(LOADER).replace("MODULE_ADDRESSES", json.dumps(addresses))
