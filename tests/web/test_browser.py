"""The page in a real browser: what sounded, what moved on disk, what was asked of whom."""

from __future__ import annotations

import pytest

from catalog import Catalog
from tests.web.browsing import MAP_SHOWN, find, lonely_hit, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
CALM_MS = 1000  # four times as long as a kit rests before the forms around it are drawn anew


def test_choosing_a_point_plays_it_and_lists_what_is_alike(visit, scanned):
    hit_id = lonely_hit(visit)
    visit.choose(hit_id)
    visit.until("__audition.engine.nStarts >= 1")
    assert visit.get("__audition.engine.lastStart.id") == hit_id
    with Catalog.open(scanned.store) as catalog:
        alternates = [match.hit_id for match in catalog.alternates(hit_id, 5)]
        name = catalog.hit(hit_id).name
    rows = visit.page.locator(".list").first.locator("button.row")
    assert [int(row.get_attribute("data-id")) for row in rows.all()] == alternates
    assert visit.page.locator(".chosen h2").inner_text() == name
    before = visit.starts
    visit.page.keyboard.press("2")
    visit.until(f"__audition.engine.nStarts === {before + 1}")
    assert visit.get("__audition.engine.lastStart.id") == alternates[1]


def test_arrow_keys_walk_to_a_neighbor_on_that_side_and_space_repeats(visit):
    first = lonely_hit(visit)
    visit.choose(first)
    x0, _ = visit.get(f"__audition.map.screenOf({first})")
    way, right = ("ArrowRight", True) if x0 < 400 else ("ArrowLeft", False)
    visit.page.keyboard.press(way)
    visit.until(f"__audition.map.view.chosen !== {first}")
    second = visit.get("__audition.map.view.chosen")
    x1, _ = visit.get(f"__audition.map.screenOf({second})")
    assert (x1 > x0) is right
    visit.until(f"__audition.engine.lastStart.id === {second}")
    before = visit.starts
    visit.page.keyboard.press("Space")
    visit.until(f"__audition.engine.nStarts === {before + 1}")
    assert visit.get("__audition.engine.lastStart.id") == second


def test_resting_on_a_point_plays_it_until_that_is_switched_off(visit):
    hit_id = lonely_hit(visit)
    visit.choose(hit_id)
    visit.until("__audition.engine.isAwake()")
    box = visit.box(visit.page.locator("canvas.front"))
    x, y = visit.get(f"__audition.map.screenOf({hit_id})")
    away = (box["x"] + 3, box["y"] + 3)
    visit.page.mouse.move(*away)
    before = visit.starts
    visit.page.mouse.move(box["x"] + x, box["y"] + y)
    visit.until(f"__audition.engine.nStarts === {before + 1}")
    visit.page.get_by_label("play under the pointer").uncheck()
    visit.page.mouse.move(*away)
    visit.page.mouse.move(box["x"] + x, box["y"] + y)
    visit.page.wait_for_timeout(600)  # nothing is to happen, so there is nothing to wait for
    assert visit.starts == before + 1


def test_an_audition_starts_at_a_modest_level_behind_a_limiter(visit):
    visit.choose(lonely_hit(visit))
    visit.until("__audition.engine.nStarts >= 1")
    assert visit.get("__audition.engine.fader.gain.value") == pytest.approx(10 ** (-12 / 20), 0.01)
    visit.page.get_by_label("Playback level, dB").fill("-30")
    assert visit.get("__audition.engine.levelDb") == -30


def test_finding_by_words_dims_the_others_and_keeps_the_map(visit):
    hit_id = lonely_hit(visit)
    visit.choose(hit_id)
    visit.page.locator("canvas.front").press("+")
    zoom = visit.get("__audition.map.view.zoom")
    visit.page.get_by_label("Find by words").fill("crash")
    visit.page.get_by_text("4 hits of 23 match").wait_for()
    visit.until("__audition.map.mask")
    ones = visit.get(
        "[...__audition.map.mask].reduce((n, b) => n + b.toString(2).replaceAll('0', '').length, 0)"
    )
    assert ones == 4
    assert visit.get("__audition.map.view.zoom") == zoom
    assert visit.get("__audition.map.view.chosen") == hit_id


def test_a_copy_is_set_aside_on_disk_and_put_back_byte_for_byte(own_visit, own):
    own_visit.open_part("Copies")
    group = own_visit.page.locator(".group", has_text="snare_1").first
    group.get_by_role("button", name="Play both").first.click()
    own_visit.until("__audition.engine.nStarts >= 2")
    tick = group.locator("input[type=checkbox]").first
    name = tick.get_attribute("aria-label").removeprefix("Set aside ")
    path = own.folder / "Attic first sitting" / f"{name}.wav"
    before = path.read_bytes()
    tick.check()
    own_visit.press(own_visit.page.get_by_role("button", name="Set 1 file aside"))
    own_visit.press(own_visit.page.get_by_role("button", name="Yes, set aside"))
    own_visit.page.get_by_text("1 file set aside").wait_for()
    assert not path.exists()
    own_visit.press(own_visit.page.get_by_role("button", name="Restore", exact=True))
    own_visit.page.get_by_text("is restored.").wait_for()
    assert path.read_bytes() == before


def test_a_kit_is_put_together_played_and_exported(visit, scanned, tmp_path):
    crash = find(scanned.store, "crash_1")
    visit.get(f"__audition.map.choose({crash})")
    visit.until(f"__audition.panel.shownFor === {crash}")
    visit.page.get_by_role("button", name="Put in kit").click()
    visit.until("__audition.kitSession.slots.length === 1")
    visit.open_part("Kit")
    visit.press(visit.page.get_by_role("button", name="Fill the rest"))
    visit.until("__audition.kitSession.slots.length >= 4")
    slots = visit.get("__audition.kitSession.slots.map(s => [s.slot, s.hits[0].id, s.locked])")
    assert ["crash", crash, True] in slots
    pad = visit.page.locator(".large .pad").nth(1)
    pad.wait_for()
    pad.focus()
    before = visit.starts
    visit.page.keyboard.press("s")
    visit.until(f"__audition.engine.nStarts === {before + 1}")
    assert visit.get("__audition.engine.lastStart.id") == slots[1][1]
    target = tmp_path / "handed over"
    field = visit.page.get_by_label("New folder for the kit")
    field.fill(str(target))
    field.press("Enter")
    visit.press(visit.page.get_by_role("button", name="Write the folder"))
    visit.page.get_by_text("written to").wait_for()
    assert list(target.rglob("*.sfz"))
    assert len(list(target.rglob("*.wav"))) >= len(slots)


def test_a_hidden_kit_asks_for_no_drawing(browser, own):
    """A request of the page's own, sent as a part is opened, could push a person's press out."""
    with serve(own.store) as address, watch(browser, address) as visit:
        sent: list[object] = []
        visit.page.on(
            "websocket", lambda socket: socket.on("framesent", lambda data: sent.append(data))
        )
        visit.page.reload()
        visit.until(MAP_SHOWN)
        visit.page.wait_for_timeout(CALM_MS)
        hit_id, before = find(own.store, "crash_1"), len(sent)
        assert before  # the first drawing is asked for over the same line
        visit.get(f"__audition.kitSession.apply('assign', {{ slot: 'crash', id: {hit_id} }})")
        visit.until("__audition.kitSession.slots.length === 1")
        visit.page.wait_for_timeout(CALM_MS)
        assert len(sent) == before
        visit.open_part("Kit")
        visit.page.get_by_label("New folder for the kit").wait_for()


def test_a_role_is_corrected_beside_the_hit(own_visit, own):
    hit_id = lonely_hit(own_visit)
    own_visit.choose(hit_id)
    version = own_visit.get("__audition.map.points.role.join()")
    own_visit.page.get_by_label("Role, ").select_option("cowbell")
    own_visit.until(f"__audition.map.points.role.join() !== {version!r}")
    with Catalog.open(own.store) as catalog:
        assert (catalog.hit(hit_id).role, catalog.hit(hit_id).role_source) == ("cowbell", "user")


def test_names_with_markup_are_text_and_nothing_else(visit, scanned):
    with Catalog.open(scanned.store) as catalog:
        hit_id = next(hit.id for hit in catalog.hits() if "<img" in hit.name)
    visit.get(f"__audition.map.choose({hit_id})")
    visit.until(f"__audition.panel.shownFor === {hit_id}")
    heading = visit.page.locator(".chosen h2").inner_text()
    assert "<img src=x onerror=window.hurt=1> ·gnp 'q' [a](b)" in heading
    visit.page.get_by_role("button", name="Put in kit").click()
    visit.until("__audition.kitSession.slots.length === 1")
    visit.open_part("Recordings")
    visit.page.get_by_text("Skipped files (1)").wait_for()
    assert visit.get("window.hurt === undefined")
    assert visit.page.locator("img[src=x]").count() == 0


def test_a_chosen_hit_is_in_the_address_and_comes_back_with_it(visit, address):
    hit_id = lonely_hit(visit)
    visit.choose(hit_id)
    visit.page.wait_for_url(f"**/?hit={hit_id}")
    visit.page.reload()
    visit.until(f"globalThis.__audition?.panel.shownFor === {hit_id}")


def test_decoded_hits_are_kept_only_up_to_a_limit(visit):
    visit.choose(lonely_hit(visit))
    kept = visit.get(
        """(async () => { const e = __audition.engine, m = __audition.map;
        for (const id of m.points.ids) await e.load(m.hitOf(id));
        const sum = e.cache.keys().reduce((n, key) => n + e.cache.use(key).bytes, 0);
        return [e.cache.bytes, sum, e.cache.keys().length]; })()"""
    )
    assert kept[0] == kept[1]
    assert kept[0] <= 96 * 2**20
    assert kept[2] == 23


def test_every_control_has_a_name(visit):
    visit.choose(lonely_hit(visit))
    nameless = visit.get(
        """[...document.querySelectorAll('*')].filter(n => n.shadowRoot).flatMap(n =>
        [...n.shadowRoot.querySelectorAll('button, select, input, canvas[tabindex]')]).filter(n =>
        !(n.getAttribute('aria-label') || n.innerText?.trim() || n.labels?.length)).length"""
    )
    assert nameless == 0
