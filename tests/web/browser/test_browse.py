"""The map and the chosen hit in a real browser: choose, play, search, compare."""

from __future__ import annotations

import pytest

from catalog import Catalog
from catalog.audio.encode import encode_wav
from catalog.web.labels import plain
from tests.web.conftest import SR, make_stroke
from tests.web.visits import MAP_SHOWN, Visit, find, isolated_hit

pytestmark = [pytest.mark.browser, pytest.mark.slow]
NOTHING_MS = 600  # in which nothing must happen
MAX_CACHE_BYTES = 96 * 2**20
LONGEST_S = 0.415  # between the synthetic kicks
NAMELESS = """[...document.querySelectorAll('*')].filter(n => n.shadowRoot).flatMap(n =>
  [...n.shadowRoot.querySelectorAll('button, select, input, canvas[tabindex]')]).filter(n =>
  !(n.getAttribute('aria-label') || n.innerText?.trim() || n.labels?.length)).length"""
STRENGTH = "__audition.state.columns.strength[__audition.state.columns.rowOf({})]"
CACHE = """(async () => { const e = __audition.engine, m = __audition.map;
  for (const id of m.points.ids) await e.load(m.hitOf(id));
  const sum = e.cache.keys().reduce((n, key) => n + e.cache.use(key).bytes, 0);
  return [e.cache.bytes, sum, e.cache.keys().length]; })()"""


def test_a_hit_is_chosen_and_played_by_pointer_and_keys(visit, scanned):
    hit_id = isolated_hit(visit)
    visit.choose(hit_id)
    visit.until("__audition.engine.nStarts >= 1")
    assert visit.get("__audition.engine.lastStart.id") == hit_id
    with Catalog.open(scanned.store) as catalog:
        alternates = [match.hit_id for match in catalog.alternates(hit_id, 5)]
        alike = [match.hit_id for match in catalog.similar(hit_id, 10)]
        name = catalog.hit(hit_id).name
        drums = {h.id: (h.session, h.drum) for h in catalog.hits()}
    alternates = [i for i in alternates if drums[i] == drums[hit_id]]
    pane = visit.page.get_by_role("complementary", name="Chosen hit")
    rows = pane.locator("ol").first.locator("button.row")
    assert [int(row.get_attribute("data-hit")) for row in rows.all()] == (alternates or alike)
    assert pane.get_by_role("heading", level=2).inner_text() == plain(name)
    assert visit.get(NAMELESS) == 0
    answers = visit.get("__audition.panel.answers.map(h => h.id)")
    assert visit.play(lambda: visit.page.keyboard.press("2")) == answers[1]

    # The level is modest at first, and the fader sets it.
    assert visit.get("__audition.engine.fader.gain.value") == pytest.approx(10 ** (-12 / 20), 0.01)
    visit.page.get_by_label("Playback level, dB").fill("-30")
    assert visit.get("__audition.engine.levelDb") == -30

    # A pointer that moves over a point plays it, unless that is switched off.
    box = visit.box(visit.page.locator("canvas.front"))
    x, y = visit.get(f"__audition.map.screenOf({hit_id})")
    away, point = (box["x"] + 3, box["y"] + 3), (box["x"] + x, box["y"] + y)
    visit.page.mouse.move(*away)
    assert visit.play(lambda: visit.page.mouse.move(*point)) == hit_id
    visit.page.get_by_label("play under the pointer").uncheck()
    before = visit.starts
    visit.page.mouse.move(*away)
    visit.page.mouse.move(*point)
    visit.page.wait_for_timeout(NOTHING_MS)
    assert visit.starts == before

    # Arrow keys move to a hit on that side; space plays it again.
    visit.page.locator("canvas.front").focus()
    x0, _ = visit.get(f"__audition.map.screenOf({hit_id})")
    key, is_right = ("ArrowRight", True) if x0 < 400 else ("ArrowLeft", False)
    second = visit.play(lambda: visit.page.keyboard.press(key))
    assert second == visit.get("__audition.map.view.chosen") != hit_id
    assert (visit.get(f"__audition.map.screenOf({second})")[0] > x0) is is_right
    assert visit.play(lambda: visit.page.keyboard.press("Space")) == second
    n_bytes, n_summed, n_hits = visit.get(CACHE)
    assert n_bytes == n_summed <= MAX_CACHE_BYTES
    assert n_hits == 23


def test_a_search_keeps_the_map_and_is_in_the_address(visit, address, scanned):
    hit_id = isolated_hit(visit)
    visit.choose(hit_id)
    visit.page.wait_for_url(f"**/?hit={hit_id}")
    visit.page.reload()
    visit.until(f"globalThis.__audition?.panel.shownFor === {hit_id}")
    visit.page.locator("canvas.front").press("+")
    zoom = visit.get("__audition.map.view.zoom")
    visit.page.get_by_label("Find by words").fill("crash")
    visit.page.get_by_text("4 of 23 hits").wait_for()
    assert len(visit.get("__audition.map.rowsShown()")) == 4
    grid = visit.page.get_by_role("grid", name="Hits")
    listed = visit.get("[...__audition.state.rows].map(r => __audition.map.points.ids[r])")
    rows = grid.locator("[data-hit]").all()
    assert {int(row.get_attribute("data-hit")) for row in rows} == set(listed)
    assert visit.get("__audition.map.view.zoom") == zoom
    assert visit.get("__audition.map.view.chosen") == hit_id
    visit.page.get_by_label("Color shows").select_option("strength")
    visit.page.wait_for_url("**color=strength**")
    visit.page.goto(f"{address}&color=mark&roles=kick&length_s_to={LONGEST_S}")
    visit.until(f"{MAP_SHOWN} && __audition.state.found")
    assert visit.page.get_by_label("Color shows").input_value() == "mark"
    assert visit.get("__audition.map.view.color") == "mark"
    shown = visit.get("__audition.map.rowsShown().map(k => __audition.map.points.ids[k])")
    with Catalog.open(scanned.store) as catalog:
        kicks = [hit for hit in catalog.hits() if hit.role == "kick"]
    short = {hit.id for hit in kicks if hit.descriptors["length_s"] <= LONGEST_S}
    assert 0 < len(short) < len(kicks)
    assert set(shown) == short


def test_similar_hits_are_narrowed_and_compared(visit, scanned):
    kick = find(scanned.store, "kick_2")
    visit.show(kick)
    with Catalog.open(scanned.store) as catalog:
        centroid_hz = {hit.id: hit.descriptors["centroid_hz"] for hit in catalog.hits()}
    for word, sign in (("brighter", 1), ("darker", -1)):  # of a pair only one is on
        visit.page.get_by_role("button", name=word).click()
        visit.until(f"__audition.panel.shownConstraints === '{word}'")
        ids = visit.get("__audition.panel.near.similar.map(row => row.id)")
        assert ids or word == "darker"
        assert all(sign * (centroid_hz[i] - centroid_hz[kick]) > 0 for i in ids)
    # Fewer than ten kicks are darker than this one.
    assert "in the catalog" in visit.page.locator(".answers").inner_text()
    visit.page.get_by_label("From", exact=True).select_option("elsewhere")
    visit.page.get_by_text("No other stroke of this drum in other sessions.").wait_for()
    visit.page.get_by_label("From", exact=True).select_option("anywhere")

    visit.show(find(scanned.store, "snare_2"))
    keys, player = visit.page.keyboard, "__audition.transport.player"
    compare = visit.page.locator(".answers").get_by_role("button", name="A/B").first
    place = compare.bounding_box()
    compare.click()  # it sounds at the first press, and nothing moves
    visit.until(f"{player}.nLoops >= 1")
    assert visit.get(f"[{player}.side, {player}.isRunning]") == ["B", True]
    assert compare.bounding_box() == place
    n_loops = visit.get(f"{player}.nLoops")
    keys.press("b")
    assert visit.get(f"{player}.side") == "A"
    visit.until(f"{player}.nLoops > {n_loops}")
    visit.open_part("Kit")  # Escape stops it from every part
    keys.press("Escape")
    assert not visit.get(f"{player}.isRunning || __audition.transport.isSounding()")


def test_a_search_starts_from_a_file_outside_the_catalog(visit, scanned, tmp_path):
    page = visit.page
    (tmp_path / "memo.wav").write_bytes(b"not audio at all")
    page.locator(".query-file input").set_input_files(tmp_path / "memo.wav")
    page.locator(".notice", has_text="memo: ").wait_for()
    assert visit.get("__audition.panel.shownFor") is None
    name = "memo <img src=x onerror=window.hurt=1>.wav"
    data = encode_wav(0.3 * make_stroke("snare", 7), sr=SR, subtype="PCM_16")
    (tmp_path / name).write_bytes(data)

    def drop_file() -> None:
        page.get_by_role("grid", name="Hits").evaluate(
            """(node, [name, bytes]) => {
                const pack = new DataTransfer();
                pack.items.add(new File([new Uint8Array(bytes)], name, {type: 'audio/wav'}));
                node.dispatchEvent(new DragEvent('drop',
                  {dataTransfer: pack, bubbles: true, composed: true, cancelable: true}));
            }""",
            [name, list(data)],
        )

    page.mouse.click(5, 5)  # browsers play only after a click
    for send in (
        lambda: page.locator(".query-file input").set_input_files(tmp_path / name),
        drop_file,
    ):
        assert visit.play(send) == 0
        assert visit.get("__audition.panel.shownFor") == 0
        assert visit.get("__audition.panel.near.similar[0].role") == "snare"
        assert page.get_by_role("heading", name="memo <img").is_visible()
        assert visit.get("window.hurt") is None
        visit.show(find(scanned.store, "snare_2"))
    with Catalog.open(scanned.store) as catalog:
        assert len(catalog.hits()) == 23


def test_two_fingers_zoom_and_one_finger_draws_around_hits(browser, address):
    context = browser.new_context(viewport={"width": 390, "height": 900}, has_touch=True)
    page = context.new_page()
    page.goto(address)
    page.wait_for_function(f"() => {MAP_SHOWN}")
    page.get_by_role("button", name="Map", exact=True).click()
    box = page.locator("canvas.front").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    touch = context.new_cdp_session(page)

    def send(kind: str, *points: tuple[float, float]) -> None:
        touches = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    send("touchStart", (x - 30, y))
    send("touchStart", (x - 30, y), (x + 30, y))
    for distance in (45, 60, 90):
        send("touchMove", (x - distance, y), (x + distance, y))
    send("touchEnd")
    assert page.evaluate("__audition.map.view.zoom") == pytest.approx(3.0, rel=0.02)
    page.get_by_role("button", name="Show all of the map").click()
    page.get_by_role("button", name="Draw around").click()
    box = page.locator("canvas.front").bounding_box()
    left, right = box["x"] + 4, box["x"] + box["width"] - 4
    top, bottom = box["y"] + 4, box["y"] + box["height"] - 4
    send("touchStart", (left, top))
    for point in ((right, top), (right, bottom), (left, bottom)):
        send("touchMove", point)
    send("touchEnd")
    page.wait_for_function("() => __audition.state.picked.size === 23")
    context.close()


def test_selected_hits_are_played_in_order(visit: Visit):
    page, ids = visit.page, "__audition.picked.sequence.hits.map(h => h.id)"
    first = isolated_hit(visit)
    visit.choose(first)
    canvas = page.locator("canvas.front")
    canvas.press("Enter")
    while len(visit.get(ids)) < 3:
        canvas.press("PageUp")
    order = visit.get(ids)
    assert first in order
    before = visit.starts
    visit.get(
        """(() => { const e = __audition.engine, start = e.start; globalThis.__played = [];
        e.start = (buffer, hit, how) => { __played.push(hit.id); return start(buffer, hit, how); };
        })()"""
    )
    page.get_by_role("button", name="Play in order").click()
    visit.until(f"__audition.engine.nStarts === {before + len(order)}")
    assert visit.get("__played") == order
    visit.until("!__audition.picked.sequence.isPlaying")
    page.get_by_role("button", name="Play in order").click()
    visit.until(f"__audition.engine.nStarts === {before + len(order) + 1}")
    picked = page.get_by_role("region", name="Hits chosen together")
    picked.get_by_role("button", name="Stop").click()
    page.wait_for_timeout(2.5 * NOTHING_MS)  # longer than a hit and the pause after it
    assert visit.starts == before + len(order) + 1
    canvas.press("PageDown")
    assert len(visit.get(ids)) < len(order)


def test_the_list_and_the_map_share_choice_pointer_and_question(visit: Visit):
    page = visit.page
    grid, keys = page.get_by_role("grid", name="Hits"), page.keyboard
    rows = grid.locator("[data-hit]")
    first = int(rows.first.get_attribute("data-hit"))
    order = visit.get("[...__audition.state.rows].map(r => __audition.map.points.ids[r])")
    assert order[0] == first
    visit.hear(rows.first.click, first)
    assert visit.get("__audition.map.view.chosen") == first
    visit.hear(lambda: keys.press("ArrowDown"), order[1])
    visit.hear(rows.nth(4).hover, order[4])
    assert visit.get("__audition.map.points.ids[__audition.map.hoveredRow]") == order[4]
    keys.press("Shift+ArrowDown")
    assert visit.get("[...__audition.state.picked]") == order[1:3]

    lengths = "[...__audition.state.rows].map(r => __audition.state.columns.length[r])"
    for order_of in (sorted, lambda values: sorted(values, reverse=True)):
        grid.get_by_role("button", name="Length").click()
        assert visit.get(lengths) == order_of(visit.get(lengths))
    page.get_by_role("search", name="Find").get_by_role("button", name="Snare").click()
    shown = visit.get("__audition.map.rowsShown().length")
    assert 0 < shown == visit.get("__audition.state.rows.length") < 23
    page.get_by_role("button", name="List", exact=True).click()
    assert not page.get_by_role("region", name="Map").is_visible()
    page.wait_for_url("**roles=snare**")
    page.reload()
    visit.until("globalThis.__audition?.state.columns")
    assert not page.get_by_role("region", name="Map").is_visible()  # the choice is remembered
    assert visit.get("__audition.state.rows.length") == shown
    size = "document.scrollingElement.scrollHeight - innerHeight"
    assert visit.get(size) <= 0


def test_a_run_of_strokes_swept_in_the_drums_view_becomes_layers_of_a_slot(own_visit: Visit):
    page, mouse = own_visit.page, own_visit.page.mouse
    page.get_by_role("button", name="Drums", exact=True).click()
    page.get_by_role("search").get_by_role("button", name="Tom").click()
    grid = page.get_by_role("grid", name="Drums")
    strokes = grid.locator(".strip").first.locator(".strength-dot")
    ids = [int(node.get_attribute("data-hit")) for node in strokes.all()]
    levels = {i: own_visit.get(STRENGTH.format(i)) for i in ids}
    assert len(ids) == 2
    assert ids == sorted(ids, key=levels.get)  # from soft to hard
    own_visit.hear(strokes.last.click, ids[1])
    own_visit.hear(lambda: page.keyboard.press("ArrowLeft"), ids[0])

    strip = grid.locator(".strip").first.bounding_box()
    mouse.move(strip["x"] + 2, strip["y"] + 2)
    mouse.down()
    mouse.move(strip["x"] + strip["width"], strip["y"] + 2, steps=12)
    mouse.up()
    assert set(own_visit.get("[...__audition.state.picked]")) == set(ids)
    slot = page.get_by_role("list", name="Kit").locator('[data-slot="tom_low"]')
    start, end = strokes.first.bounding_box(), slot.bounding_box()
    mouse.move(start["x"] + 4, start["y"] + 4)
    mouse.down()
    mouse.move(end["x"] + 30, end["y"] + 30, steps=6)
    mouse.up()
    own_visit.until("__audition.kitSession.bySlot.get('tom_low')?.hits.length === 2")


def test_nothing_moves_while_the_page_loads(visit):
    visit.rest()
    shift = visit.get(
        """new Promise(done => { let sum = 0;
        new PerformanceObserver(list => list.getEntries().forEach(e => { sum += e.value; }))
          .observe({ type: 'layout-shift', buffered: true });
        setTimeout(() => done(sum), 100); })"""
    )
    assert shift < 0.02


def test_what_was_drawn_around_is_saved_as_a_question_and_asked_again(own_visit):
    page, rows = own_visit.page, "[...__audition.state.rows]"
    own_visit.choose(isolated_hit(own_visit))
    page.locator("canvas.front").focus()
    page.keyboard.press("Enter")
    while own_visit.get("__audition.state.picked.size") < 2:
        page.keyboard.press("PageUp")
    page.get_by_role("button", name="Only these").click()
    own_visit.until("__audition.state.question.drawn")
    found = own_visit.get(rows)
    assert 0 < len(found) < 23
    page.get_by_label("Name of the search").fill("a corner <b>")
    page.keyboard.press("Enter")
    saved = page.get_by_role("region", name="Saved searches").get_by_role(
        "button", name="a corner <b>", exact=True
    )
    saved.wait_for()
    page.get_by_role("button", name="Clear", exact=True).click()
    own_visit.until("__audition.state.rows.length === 23")
    saved.click()
    own_visit.until("__audition.state.question.drawn")
    assert own_visit.get(rows) == found

    # Zoomed in, what is in sight is listed; a name in the list leads there.
    page.get_by_role("button", name="Zoom in").click()
    listed = page.get_by_role("list", name="In sight on the map").get_by_role("button")
    listed.first.wait_for()
    zoom = own_visit.get("__audition.map.view.zoom")
    listed.first.click()
    own_visit.until(f"__audition.map.view.zoom !== {zoom}")
