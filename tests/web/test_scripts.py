"""Parts of the page's scripts that need no browser, run by node on the modules as served."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from catalog import Catalog
from catalog.web.columns import make_columns
from catalog.web.payloads import PREVIEW_SR, SCALES, join_previews, pack_points
from catalog.web.server.assets import modules

SCRIPTS = Path(__file__).with_name("scripts")
PREVIEWS = ([0, 1, -32768, 32767], [], [5, -5])  # int16 samples; an unreadable hit has none


def write_payloads(folder: Path, store: Path) -> None:
    """Pack points and previews, and write their contents beside them."""
    with Catalog.open(store) as catalog:
        hits = catalog.hits()
    columns, n = make_columns(hits), len(hits)
    pack = pack_points(columns, columns.ids, np.random.default_rng(8).uniform(size=(n, 2)))
    assert list(columns.ids) == list(pack.ids)
    xy = np.frombuffer(pack.body, "<f4", 2 * n, offset=4 + 8 * n).reshape(2, n)
    legend_start = 4 + n * (5 * 4 + 2 + 1 + 1 + len(SCALES))
    legend = json.loads(pack.body[legend_start:])
    ranks = np.frombuffer(pack.body[:legend_start], np.uint8)[-len(SCALES) * n :]
    expected = {
        "points": {
            "ids": columns.ids.tolist(),
            "stamps": columns.stamps.tolist(),
            "x": xy[0].tolist(),
            "y": xy[1].tolist(),
            "matchDb": columns.match_db.astype("f4").tolist(),
            "session": columns.session_of.tolist(),
            "role": columns.roles.tolist(),
            "mark": columns.marks.tolist(),
        },
        "scales": dict(zip(SCALES, ranks.reshape(len(SCALES), n).tolist(), strict=True)),
        "sessions": legend["sessions"],
        "regions": legend["regions"],
        "preview_sr": PREVIEW_SR,
        "previews": PREVIEWS,
    }
    folder.mkdir()
    (folder / "points.bin").write_bytes(pack.body)
    joined = join_previews([np.array(samples, "<i2").tobytes() for samples in PREVIEWS])
    (folder / "previews.bin").write_bytes(joined)
    (folder / "expected.json").write_text(json.dumps(expected))


@pytest.fixture(scope="module")
def workspace(tmp_path_factory, scanned) -> Path:
    """Modules as they are served, the tests beside them, and bodies that Python packed."""
    folder = tmp_path_factory.mktemp("scripts")
    (folder / "package.json").write_text('{"type": "module"}')
    for name, source in modules().items():
        path = folder / "modules" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(source, "utf-8")
    shutil.copytree(SCRIPTS, folder / "tests")
    write_payloads(folder / "data", scanned.store)
    return folder


@pytest.mark.parametrize("name", sorted(path.name for path in SCRIPTS.glob("*.test.js")))
def test_scripts_pass_their_own_tests(workspace, name):
    run = subprocess.run(
        ["node", "--test", "--test-reporter=tap", f"tests/{name}"],
        cwd=workspace, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert run.returncode == 0, run.stdout + run.stderr
    assert "\n# fail 0\n" in run.stdout
    assert "\n# pass 0\n" not in run.stdout
