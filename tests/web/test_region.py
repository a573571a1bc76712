"""Hits taken together on the map, by pointer, by key and by what was asked for; fingers on it."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.web.browsing import MAP_SHOWN, lonely_hit

pytestmark = [pytest.mark.browser, pytest.mark.slow]
LONGEST_S = 0.4  # between the made-up kicks


def draw_around(visit, hit_ids: list[int], margin: float = 12.0) -> None:
    """Draw a box around hits with the pointer."""
    box = visit.box(visit.page.locator("canvas.front"))
    spots = [visit.get(f"__audition.map.screenOf({i})") for i in hit_ids]
    left, right = (f(x for x, _ in spots) for f in (min, max))
    top, bottom = (f(y for _, y in spots) for f in (min, max))
    corners = [(left - margin, top - margin), (right + margin, top - margin),
               (right + margin, bottom + margin), (left - margin, bottom + margin)]  # fmt: skip
    x, y = corners[0]
    visit.page.mouse.move(box["x"] + x, box["y"] + y)
    visit.page.mouse.down()
    for x, y in corners[1:]:
        visit.page.mouse.move(box["x"] + x, box["y"] + y, steps=4)
    visit.page.mouse.up()


def inside_box(visit, hit_ids: list[int], margin: float = 12.0) -> set[int]:
    """The same by plain comparison: all hits within the box around some."""
    spots = visit.get(
        "[...__audition.map.points.ids].map(id => [id, ...__audition.map.screenOf(id)])"
    )
    some = [(x, y) for i, x, y in spots if i in hit_ids]
    left, right = min(x for x, _ in some) - margin, max(x for x, _ in some) + margin
    top, bottom = min(y for _, y in some) - margin, max(y for _, y in some) + margin
    return {i for i, x, y in spots if left < x < right and top < y < bottom}


def test_hits_drawn_around_are_tagged_marked_and_given_a_role_and_all_is_taken_back(own_visit, own):
    page = own_visit.page
    with Catalog.open(own.store) as catalog:
        before = {hit.id: hit for hit in catalog.hits()}
        snares = [hit.id for hit in before.values() if hit.role == "snare"][:3]
        expected = inside_box(own_visit, snares)
        assert 3 <= len(expected) < 23
        page.get_by_role("button", name="Draw around hits").click()
        draw_around(own_visit, snares)
        page.get_by_text(f"{len(expected)} hits selected").wait_for()
        assert set(own_visit.get("__audition.selection.ids()")) == expected
        page.get_by_label("Tag for all selected hits").fill("dry  loft")
        page.get_by_label("Tag for all selected hits").press("Enter")
        own_visit.until("__audition.annotations.undo.length === 1")
        page.locator(".selection").get_by_role("button", name="star").click()
        own_visit.until("__audition.annotations.undo.length === 2")
        page.get_by_label("Role for all selected hits").select_option("wood")
        own_visit.until("__audition.annotations.undo.length === 3")
        for hit in catalog.hits():
            said = (hit.tags, hit.mark, hit.role if hit.role_source == "user" else None)
            assert said == (
                (("dry loft",), "star", "wood") if hit.id in expected else ((), "", None)
            )
        for left in (2, 1, 0):
            page.locator(".selection").get_by_role("button", name="Undo").click()
            own_visit.until(f"__audition.annotations.undo.length === {left}")
        assert {hit.id: hit for hit in catalog.hits()} == before
    page.locator("canvas.front").press("Escape")
    assert own_visit.get(
        "[__audition.selection.sequence.rows.length, __audition.map.lasso.line]"
    ) == [0, None]
    assert not own_visit.get("__audition.map.lasso.isOn")


def test_what_was_said_can_be_asked_for_at_once_and_taken_together(own_visit, own):
    page = own_visit.page
    own_visit.choose(lonely_hit(own_visit))
    page.locator("canvas.front").press("Enter")
    for _ in range(9):
        page.locator("canvas.front").press("PageUp")
    taken = set(own_visit.get("__audition.selection.ids()"))
    assert len(taken) > 1
    page.locator(".selection").get_by_role("button", name="keep").click()
    own_visit.until("__audition.annotations.undo.length === 1")
    page.keyboard.press("Escape")
    own_visit.until("__audition.selection.sequence.rows.length === 0")
    page.get_by_role("button", name="Marks").click()
    page.get_by_role("button", name="keep", exact=True).click()
    page.get_by_text(f"{len(taken)} hits of 23 match").wait_for()
    own_visit.until("__audition.map.mask")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Select all matching hits").click()
    assert set(own_visit.get("__audition.selection.ids()")) == taken
    assert "marks=keep" in page.url
    with Catalog.open(own.store) as catalog:
        assert {hit.id for hit in catalog.hits() if hit.mark == "keep"} == taken


def test_hits_taken_by_key_are_heard_one_after_the_other(visit):
    page = visit.page
    first = lonely_hit(visit)
    visit.choose(first)
    canvas = page.locator("canvas.front")
    canvas.press("Enter")
    while len(visit.get("__audition.selection.ids()")) < 3:
        canvas.press("PageUp")
    more = len(visit.get("__audition.selection.ids()"))
    assert first in visit.get("__audition.selection.ids()")
    order = visit.get("__audition.selection.ids()")
    before = visit.starts
    visit.get(
        """(() => { const e = __audition.engine, start = e.start; globalThis.__heard = [];
        e.start = (buffer, hit, how) => { __heard.push(hit.id); return start(buffer, hit, how); };
        })()"""
    )
    page.get_by_role("button", name="Play in order").click()
    visit.until(f"__audition.engine.nStarts === {before + more}")
    assert visit.get("__heard") == order
    visit.until("!__audition.selection.sequence.isPlaying")
    page.get_by_role("button", name="Play in order").click()
    visit.until(f"__audition.engine.nStarts === {before + more + 1}")
    page.get_by_role("button", name="Stop").click()
    page.wait_for_timeout(1500)  # nothing is to happen, so there is nothing to wait for
    assert visit.starts == before + more + 1
    canvas.press("PageDown")
    assert len(visit.get("__audition.selection.ids()")) < more


def test_color_and_questions_in_the_address_come_back_with_it(visit, address, scanned):
    visit.page.get_by_label("Color shows").select_option("strength")
    visit.page.wait_for_url("**color=strength**")
    visit.page.goto(f"{address}?color=mark&roles=Kick&numbers=length&length_s_to={LONGEST_S}")
    visit.until(f"{MAP_SHOWN} && __audition.map.mask")
    assert visit.page.get_by_label("Color shows").input_value() == "mark"
    assert visit.get("__audition.map.view.color") == "mark"
    shown = visit.get("__audition.map.rowsShown().map(k => __audition.map.points.ids[k])")
    with Catalog.open(scanned.store) as catalog:
        kicks = [hit for hit in catalog.hits() if hit.role == "kick"]
    short = {hit.id for hit in kicks if hit.descriptors["length_s"] <= LONGEST_S}
    assert 0 < len(short) < len(kicks)
    assert set(shown) == short


def test_two_fingers_zoom_and_one_that_draws_takes_hits(browser, address):
    context = browser.new_context(viewport={"width": 390, "height": 900}, has_touch=True)
    page = context.new_page()
    page.goto(address)
    page.wait_for_function(f"() => {MAP_SHOWN}")
    page.locator("canvas.front").scroll_into_view_if_needed()
    box = page.locator("canvas.front").bounding_box()
    cx, cy = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = context.new_cdp_session(page)

    def fingers(kind: str, *spots: tuple[float, float]) -> None:
        points = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(spots)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    fingers("touchStart", (cx - 30, cy))
    fingers("touchStart", (cx - 30, cy), (cx + 30, cy))
    for far in (45, 60, 90):
        fingers("touchMove", (cx - far, cy), (cx + far, cy))
    fingers("touchEnd")
    assert page.evaluate("__audition.map.view.zoom") == pytest.approx(3.0, rel=0.02)
    page.get_by_role("button", name="Show the whole map").click()
    page.get_by_role("button", name="Draw around hits").click()
    box = page.locator("canvas.front").bounding_box()
    left, top, right, bottom = (box["x"] + 4, box["y"] + 4, box["x"] + box["width"] - 4,
                                box["y"] + box["height"] - 4)  # fmt: skip
    fingers("touchStart", (left, top))
    for spot in ((right, top), (right, bottom), (left, bottom)):
        fingers("touchMove", spot)
    fingers("touchEnd")
    page.wait_for_function("() => __audition.selection.sequence.rows.length === 23")
    context.close()
