"""The regions of a take in a real browser: dragged, typed, played, split, merged, reset."""

from __future__ import annotations

import pytest

from catalog import Catalog

pytestmark = [pytest.mark.browser, pytest.mark.slow]
REGIONS_SHOWN = "globalThis.__cut?.state.detail && globalThis.__cut.state.overview"
PIXEL_S = 0.004  # a pixel of the detailed waveform is 1 to 3 ms wide


def test_regions_are_moved_split_merged_and_reset(own, take, own_visit):
    page, detail = own_visit.page, own_visit.page.locator("canvas.detail")

    def spans() -> list[tuple[int, int]]:
        with Catalog.open(own.store) as catalog:
            return [(hit.start, hit.stop) for hit in catalog.takes.regions(take)]

    def wait(condition: str) -> None:
        own_visit.until(f"(() => {{ const s = __cut.state.data.strokes; return {condition} }})()")

    def type_into(label: str, seconds: float) -> None:
        page.get_by_label(label).fill(str(seconds))
        page.get_by_label(label).press("Enter")

    own_visit.open_attention("Takes to cut")
    own_visit.until(REGIONS_SHOWN)
    before, sr = spans(), own_visit.get("__cut.state.data.sr")
    (start, stop), (second_start, _), *_ = before

    # An end that is dragged; what changed is played.
    box, x = own_visit.box(detail), own_visit.get("__cut.xOf(__cut.state.ends[1])")
    n_starts = own_visit.get("__cut.engine.nStarts")
    page.mouse.move(box["x"] + x - 3, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + x - 80, box["y"] + 60, steps=5)
    new_stop = own_visit.get("__cut.state.ends[1]")
    assert new_stop < stop
    page.mouse.up()
    wait(f"s[0].stop === {new_stop}")
    assert spans()[0] == (start, new_stop)
    own_visit.until(f"__cut.engine.nStarts === {n_starts + 1}")

    type_into("End, seconds", 3.2)  # far into the next stroke: it ends where that starts
    wait(f"s[0].stop === {second_start}")
    assert spans()[0] == (start, second_start)

    # A click plays from there and is where the stroke is split.
    own_visit.until("__cut.state.detail")
    middle = (start + second_start) // 2
    detail.click(position={"x": own_visit.get(f"__cut.xOf({middle})"), "y": 80})
    own_visit.until("__cut.engine.lastStart?.from > 0")
    from_s = own_visit.get("__cut.engine.lastStart.from")
    assert from_s == pytest.approx((middle - start) / sr, abs=PIXEL_S)
    page.get_by_role("button", name="Split here").click()
    wait(f"s.length === {len(before) + 1}")
    first, second, *_ = spans()
    assert first[1] == second[0]
    assert first[1] / sr == pytest.approx(middle / sr, abs=PIXEL_S)
    page.get_by_role("button", name="Merge with the next").click()
    wait(f"s.length === {len(before)}")
    assert spans()[0] == (start, second_start)

    # Arrow keys move from stroke to stroke.
    detail.click(position={"x": 2, "y": 80})  # before the stroke
    page.locator(".view", has=detail).focus()
    page.keyboard.press("ArrowRight")
    own_visit.until("__cut.state.index === 1")
    page.get_by_text("Stroke 2 of 3").wait_for()
    type_into("Start, seconds", round(second_start / sr + 0.1, 3))
    wait(f"s[1].start > {second_start}")
    assert own_visit.get("__cut.state.index") == 1
    page.get_by_role("button", name="Reset the regions").click()
    wait(f"s[1].start === {second_start}")
    assert spans() == before
