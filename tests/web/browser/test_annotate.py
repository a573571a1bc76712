"""Marks, tags, roles and remarks of one hit and of a selection, in a real browser."""

from __future__ import annotations

import re

import pytest

from catalog import Catalog
from catalog.models import ROLES
from tests.web.visits import Visit, find, isolated_hit, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
COWBELL = ROLES.index("cowbell")
MARGIN_PX = 12.0  # of a line around the hits inside it


def read(own, hit_id: int):
    with Catalog.open(own.store) as catalog:
        return catalog.hit(hit_id)


def wait_undo(visit: Visit, n_steps: int) -> None:
    visit.until(f"__audition.annotations.nDone === {n_steps}")


def corners_around(visit: Visit, hit_ids: list[int]) -> tuple[float, float, float, float]:
    """Return left, top, right, bottom of a box around hits on the map."""
    points = [visit.get(f"__audition.map.screenOf({i})") for i in hit_ids]
    xs, ys = zip(*points, strict=True)
    return min(xs) - MARGIN_PX, min(ys) - MARGIN_PX, max(xs) + MARGIN_PX, max(ys) + MARGIN_PX


def hits_inside(visit: Visit, corners: tuple[float, float, float, float]) -> set[int]:
    left, top, right, bottom = corners
    points = visit.get(
        "[...__audition.map.points.ids].map(id => [id, ...__audition.map.screenOf(id)])"
    )
    return {i for i, x, y in points if left < x < right and top < y < bottom}


def draw_line(visit: Visit, corners: tuple[float, float, float, float]) -> None:
    box, mouse = visit.box(visit.page.locator("canvas.front")), visit.page.mouse
    left, top, right, bottom = corners
    mouse.move(box["x"] + left, box["y"] + top)
    mouse.down()
    for x, y in ((right, top), (right, bottom), (left, bottom)):
        mouse.move(box["x"] + x, box["y"] + y, steps=4)
    mouse.up()


def test_annotations_of_a_hit_are_stored_and_undone(own, own_visit):
    snare, page = find(own.store, "snare_2"), own_visit.page
    own_visit.choose(snare)
    before = read(own, snare)
    page.locator("canvas.front").press("Shift+M")
    wait_undo(own_visit, 1)
    assert read(own, snare).mark == "master"
    tag = page.get_by_role("textbox", name="Add a tag")
    tag.fill("<b>dry</b>")
    tag.press("Enter")
    wait_undo(own_visit, 2)
    remark = page.get_by_role("textbox", name="Remark")
    remark.fill("wire rattles")
    remark.press("Tab")
    wait_undo(own_visit, 3)
    hit = read(own, snare)
    assert (hit.mark, hit.tags, hit.remark) == ("master", ("<b>dry</b>",), "wire rattles")
    page.locator("canvas.front").focus()
    for n_steps in (2, 1, 0):
        page.keyboard.press("Control+z")
        wait_undo(own_visit, n_steps)
    assert read(own, snare) == before
    page.keyboard.press("Control+Shift+Z")
    wait_undo(own_visit, 1)
    assert read(own, snare).mark == "master"
    row = page.locator(".answers .row").first
    other = int(row.get_attribute("data-hit"))
    row.focus()
    page.keyboard.press("Shift+X")
    wait_undo(own_visit, 2)
    assert read(own, other).mark == "no-good"
    assert "no good" in row.inner_text()
    page.get_by_label("Role, ").select_option("cowbell")
    own_visit.until(
        f"__audition.map.points.role[__audition.map.points.rowOf.get({snare})] === {COWBELL}"
    )
    assert (read(own, snare).role, read(own, snare).role_source) == ("cowbell", "user")
    own_visit.until("__audition.panel.shown.role_source === 'user'")
    page.get_by_label("Role, ").select_option("automatic")
    wait_undo(own_visit, 4)
    assert (read(own, snare).role, read(own, snare).role_source) == (before.role, "name")


def test_a_selection_is_annotated_and_undone_as_one(own_visit, own):
    page, selection = own_visit.page, own_visit.page.locator(".picked")
    with Catalog.open(own.store) as catalog:
        before = {hit.id: hit for hit in catalog.hits()}
        corners = corners_around(own_visit, [i for i, h in before.items() if h.role == "snare"][:3])
        expected = hits_inside(own_visit, corners)
        assert 3 <= len(expected) < 23
        page.get_by_role("button", name="Draw around").click()
        draw_line(own_visit, corners)
        page.get_by_text(f"{len(expected)} hits chosen").wait_for()
        assert set(own_visit.get("[...__audition.state.picked]")) == expected
        page.get_by_label("Tag for all chosen hits").fill("dry  loft")
        page.get_by_label("Tag for all chosen hits").press("Enter")
        wait_undo(own_visit, 1)
        selection.get_by_role("button", name="master").click()
        wait_undo(own_visit, 2)
        page.get_by_label("Role for all chosen hits").select_option("wood")
        wait_undo(own_visit, 3)
        for hit in catalog.hits():
            annotated = (hit.tags, hit.mark, hit.role if hit.role_source == "user" else None)
            wanted = (("dry loft",), "master", "wood") if hit.id in expected else ((), "", None)
            assert annotated == wanted
        for n_steps in (2, 1, 0):
            page.get_by_role("button", name="Undo", exact=True).click()
            wait_undo(own_visit, n_steps)
        assert {hit.id: hit for hit in catalog.hits()} == before
    page.locator("canvas.front").press("Escape")
    state = "[__audition.state.picked.size, __audition.map.drawing.line]"
    assert own_visit.get(state) == [0, None]
    assert not own_visit.get("__audition.map.drawing.isOn")

    # What is marked can be searched for and selected again.
    own_visit.choose(isolated_hit(own_visit))
    page.locator("canvas.front").press("Enter")
    for _ in range(9):
        page.locator("canvas.front").press("PageUp")
    selected = set(own_visit.get("[...__audition.state.picked]"))
    assert len(selected) > 1
    selection.get_by_role("button", name="spare").click()
    wait_undo(own_visit, 1)
    page.keyboard.press("Escape")
    own_visit.until("__audition.state.picked.size === 0")
    page.get_by_role("search").get_by_role("button", name="spare").click()
    page.get_by_text(f"{len(selected)} of 23 hits").wait_for()
    page.get_by_role("grid", name="Hits").press("Control+a")
    assert set(own_visit.get("[...__audition.state.picked]")) == selected
    page.wait_for_url("**marks=spare**")
    assert "marks=spare" in page.url
    with Catalog.open(own.store) as catalog:
        assert {hit.id for hit in catalog.hits() if hit.mark == "spare"} == selected


def test_roles_to_confirm_are_answered_by_key(browser, own):
    with Catalog.open(own.store) as catalog:
        for hit in catalog.hits()[:2]:
            catalog.context.store.hits.set_role(hit.id, "wood", confidence=0.1, source="sound")
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.open_part("Bring in")
        visit.page.get_by_text("Needs attention").first.click()
        label = visit.page.get_by_text("Roles to confirm")
        before = re.search(r"\d+", label.inner_text()).group()
        label.click()
        visit.page.locator(".question-hit").wait_for()  # visible, not only there
        asked, role = visit.get("[__roles.current().id, __roles.current().likely[0]]")
        visit.page.keyboard.press("1")  # the focus is still on "Roles to confirm"
        visit.until("__roles.round().answers.length === 1")
        answered = read(own, asked)
        assert (answered.role, answered.role_source) == (role, "user")
        visit.page.get_by_text(f"Roles to confirm ({before})").wait_for(state="detached")
        label.wait_for()  # also where no question is left: the round can be undone
