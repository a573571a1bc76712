"""Make the picture of the page in README.md anew: `python -m tests.screenshot`."""

from __future__ import annotations

import io
import tempfile
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from catalog import Catalog
from catalog.services.demo import demo_folder, place_demo
from tests.web.visits import CHROMIUM, OPTIONS, find, serve, watch

PICTURE = Path(__file__).resolve().parents[1] / "catalog" / "web" / "page.png"
SIZE = {"width": 1440, "height": 900}
CHOSEN = "SN brass towel soft 2"  # the hit of the first use in README.md
N_COLORS = 256
AT_REST_MS = 2000  # after which waveforms and reasons are drawn


def main() -> None:
    """Scan the demo library, fill a kit, choose a hit and write the picture."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        store = Path(folder) / "demo.sqlite"
        with Catalog.open(store) as catalog:
            catalog.scan([demo_folder()])
            place_demo(catalog.context, demo_folder())
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(OPTIONS))
        with serve(store) as address, watch(browser, address) as visit:
            visit.page.set_viewport_size(SIZE)
            visit.press_named("Fill the rest")
            visit.until("__audition.kitSession.slots.length > 8")
            visit.show(find(store, CHOSEN))
            visit.page.wait_for_timeout(AT_REST_MS)
            picture = Image.open(io.BytesIO(visit.page.screenshot()))
        browser.close()
    few = picture.convert("RGB").quantize(N_COLORS, dither=Image.Dither.NONE)
    few.save(PICTURE, optimize=True)


if __name__ == "__main__":
    main()
