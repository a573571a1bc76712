"""The kit in a real browser: its slots, layers and undo steps, and what plays when."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import pytest

from catalog import Catalog
from catalog.kit.layers import layers_of
from catalog.kit.phrase import select_phrase
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.session import KitSession
from tests.web.visits import Visit, find, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SLOTS = ["kick", "snare", "hat_closed", "hat_pedal", "hat_open", "crash"]
CLOCK_S = 1e-6  # the browser hands times on as doubles; a sample at 48 kHz is 21 µs
# Records what is scheduled on the audio clock, and simulates pads that are connected.
SPY = """
window.__starts = []; window.__falls = [];
const start = AudioBufferSourceNode.prototype.start;
AudioBufferSourceNode.prototype.start = function (when = 0, ...more) {
  window.__starts.push([when, this.context.currentTime]);
  return start.call(this, when, ...more);
};
const fall = AudioParam.prototype.setValueCurveAtTime;
AudioParam.prototype.setValueCurveAtTime = function (curve, when, length) {
  window.__falls.push([when, length, curve[curve.length - 1]]);
  return fall.call(this, curve, when, length);
};
window.__input = { name: 'practice pads', state: 'connected', onmidimessage: null };
navigator.requestMIDIAccess = async options => {
  if (window.__refuse) throw new DOMException('not now', 'NotAllowedError');
  window.__asked = options;
  return { inputs: new Map([['1', window.__input]]), onstatechange: null };
};
window.__press = (...data) => window.__input.onmidimessage({ data: Uint8Array.from(data) });
"""


@pytest.fixture(scope="module")
def kit_address(demo) -> Iterator[str]:
    """A page over the demo library with a kit that has layers."""
    with Catalog.open(demo.store) as catalog:
        session = KitSession.load(catalog)
        apply_action(session, {"op": "fill", "slots": SLOTS})
        apply_action(session, {"op": "layers"})
    with serve(demo.store) as address:
        yield address


class KitVisit(Visit):
    """A visit to the part "Kit"."""

    def __init__(self, page, address: str, *, ready: str) -> None:
        page.add_init_script(SPY)
        super().__init__(page, f"{address}&part=kit", ready=ready)

    def apply(self, op: str, **values: object) -> None:
        assert self.page.evaluate("([op, v]) => __kit.kitSession.apply(op, v)", [op, values])

    def ids(self, slot: str) -> list[int]:
        return self.get(f"(__kit.kitSession.bySlot.get({slot!r})?.hits ?? []).map(h => h.id)")

    def layers(self, slot: str) -> list[list[int]]:
        return self.get(f"__kit.kitSession.bySlot.get({slot!r}).layers.map(l => l.ids)")

    def click_named(self, name: str, *, exact: bool = False) -> None:
        self.page.get_by_role("button", name=name, exact=exact).click()

    def wake(self) -> None:
        self.page.locator(".slot-card .pad").first.click()
        self.until("__kit.engine.isAwake() && __kit.sampler.log.length")

    def trigger(self, expression: str) -> dict:
        """Run a script that plays a stroke, and return the entry that the sampler logs of it."""
        before = self.get("__kit.sampler.log.length")
        self.get(f"void {expression}")
        self.until(f"__kit.sampler.log.length === {before + 1}")
        return self.get("__kit.sampler.log.at(-1)")


@pytest.fixture
def kit(browser, kit_address) -> Iterator[KitVisit]:
    ready = "globalThis.__kit?.kitSession.kit"
    with watch(browser, kit_address, ready=ready, kind=KitVisit) as visit:
        visit.until("__kit.kitSession.slots.length >= 6")
        yield visit


def test_an_empty_slot_leads_to_the_hits_that_may_fill_it(browser, own):
    with Catalog.open(own.store) as catalog:
        snares = len(catalog.hits(role="snare"))
    with serve(own.store) as address, watch(browser, f"{address}&part=kit") as visit:
        words = "1 hit" if snares == 1 else f"{snares} hits"
        visit.press_named(f"Choose from {words} for Snare")
        visit.until("__audition.state.part === 'find'")
        assert visit.get("[__audition.state.nFit, __audition.state.question.roles]") == [
            snares, ["snare"],
        ]  # fmt: skip
        visit.show(find(own.store, "snare_1"))
        visit.press_named("Put in kit")
        visit.until("__audition.kitSession.slots.length === 1")
        visit.until("__audition.state.question.roles.length === 0")  # the next search is free


def test_a_slot_that_was_asked_for_takes_the_hit_and_leaving_ends_the_search(browser, own):
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.get("__audition.state.ask({ roles: ['kick'] })")
        visit.get(
            "__audition.state.lookFor('snare_2', { ...__audition.state.question, roles: [] })"
        )
        visit.show(find(own.store, "snare_1"))
        assert visit.page.get_by_label("Slot in the kit").input_value() == "snare_2"
        visit.open_part("Kit")
        visit.until("__audition.state.part === 'kit'")
        assert visit.get("[__audition.state.wanted, __audition.state.question.roles]") == [
            None, ["kick"],
        ]  # fmt: skip


def test_the_rest_is_filled_from_the_session_that_is_chosen(browser, own):
    with Catalog.open(own.store) as catalog:
        session = catalog.hits(role="snare")[0].session
    with serve(own.store) as address, watch(browser, f"{address}&part=kit") as visit:
        visit.page.get_by_label("Fill from").select_option(session)
        visit.press(visit.page.locator(".kit-tools").get_by_role("button", name="Fill the rest"))
        visit.until("__audition.kitSession.slots.length > 0")
        sessions = visit.get("__audition.kitSession.slots.map(s => s.hits[0].session)")
        assert set(sessions) == {session}
        visit.page.set_viewport_size({"width": 390, "height": 844})
        visit.open_part("Find")
        bar = visit.page.locator(".kit-slots")
        bar.wait_for()
        assert bar.evaluate("bar => bar.scrollWidth <= bar.clientWidth")


def test_a_row_dragged_into_an_empty_slot_is_there_after_a_restart(browser, own):
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.show(find(own.store, "snare_1"))
        row = visit.page.locator(".answers .row").first
        dragged = int(row.get_attribute("data-hit"))
        role = visit.get(f"__audition.panel.answers.find(r => r.id === {dragged}).role")
        row.hover()
        visit.page.mouse.down()
        visit.page.mouse.move(30, 300, steps=4)
        kit = visit.page.get_by_role("list", name="Kit")
        slot = kit.locator(f'.empty[data-slot="{role}"]')
        box = slot.bounding_box()
        visit.page.mouse.move(box["x"] + 20, box["y"] + 10, steps=4)
        visit.page.mouse.up()
        visit.until("__audition.kitSession.slots.length === 1")
        slots = visit.get("__audition.kitSession.slots.map(s => [s.slot, s.hits[0].id, s.locked])")
        assert slots == [[role, dragged, True]]
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.until("__audition.kitSession.slots.length === 1")
        assert visit.get("__audition.kitSession.slots[0].hits[0].id") == dragged


def test_midi_pads_choose_layers_by_velocity_and_round_robins_alternate(kit, demo):
    kit.wake()
    assert kit.get("window.__asked === undefined")
    kit.get("void (window.__refuse = true)")
    kit.click_named("Connect MIDI")
    kit.page.get_by_text("The browser denied MIDI access: not now").wait_for()
    kit.get("void (window.__refuse = false)")
    kit.click_named("Connect MIDI")
    kit.page.get_by_text("Connected: practice pads").wait_for()
    assert kit.get("window.__asked") == {"sysex": False}
    with Catalog.open(demo.store) as catalog:
        now = KitSession.load(catalog).kit
        layers = layers_of(now, "snare", {i: catalog.hit(i) for i in now.slots["snare"]})
    assert len(layers) > 1
    for velocity in (1, 64, 127):
        stroke = kit.trigger(f"__press(0x99, 38, {velocity})")  # General MIDI: 38 acoustic snare
        (layer,) = [x for x in layers if x.lowest <= velocity <= x.highest]
        assert stroke["slot"] == "snare"
        assert stroke["id"] in [hit.id for hit in layer.hits]
    n_strokes = kit.get("__kit.sampler.log.length")
    kit.get("__press(0x99, 38, 0)")  # a key that is released
    kit.get("__press(0x99, 81, 90)")  # the open triangle, which no slot has
    kit.page.get_by_text("Note 81 has no slot in this kit").wait_for()
    assert kit.get("__kit.sampler.log.length") == n_strokes

    slot, velocity, ids = kit.get(
        "(() => { for (const s of __kit.kitSession.slots) for (const l of s.layers)"
        " if (l.ids.length > 1) return [s.slot, l.highest, l.ids]; })()"
    )
    kit.get("__kit.sampler.resetRoundRobins()")
    strike = f"__kit.sampler.trigger(__kit.kitSession.bySlot.get({slot!r}), {velocity})"
    played = [kit.trigger(strike)["id"] for _ in range(len(ids) + 1)]
    assert played == [*ids, ids[0]]


def test_a_phrase_is_scheduled_ahead_and_hats_choke_each_other(kit):
    kit.wake()
    kit.get("(__kit.sampler.log.length = 0, __falls.length = 0)")
    kit.click_named("Play", exact=True)
    kit.until("__kit.phrasePlayer.isPlaying && __kit.phrasePlayer.schedule?.start > 0")
    kit.get("__starts.splice(0)")
    kit.until("!__kit.phrasePlayer.isPlaying")
    events = select_phrase("two bars", kit.get("__kit.kitSession.slots.map(s => s.slot)")).events
    log, t0 = kit.get("__kit.sampler.log"), kit.get("__kit.phrasePlayer.schedule?.start")
    beat_s = 60.0 / 96.0
    assert [(s["slot"], s["velocity"]) for s in log] == [(e.slot, e.velocity) for e in events]
    for stroke, event in zip(log, events, strict=True):
        assert stroke["when"] == pytest.approx(t0 + event.beat * beat_s, abs=CLOCK_S)
    ahead = [when - now for when, now in kit.get("__starts")]
    assert ahead
    assert min(ahead) > 0.0  # scheduled before its time
    hats = sorted((s for s in log if s["slot"].startswith("hat_")), key=lambda s: s["when"])
    choked = [(a["slot"], b["when"]) for a, b in pairwise(hats) if a["end"] > b["when"]]
    assert "hat_open" in [slot for slot, _ in choked]
    falls = kit.get("__falls")
    assert [when for when, *_ in falls] == pytest.approx([w for _, w in choked], abs=CLOCK_S)
    assert all((round(length, 6), end) == (0.05, 0.0) for _, length, end in falls)

    # Stop ends what sounds and what is scheduled.
    kit.click_named("Play", exact=True)
    kit.until("__kit.phrasePlayer.schedule?.next > 3")
    kit.page.get_by_role("toolbar", name="Playing").get_by_role("button", name="Stop").click()
    n_strokes = kit.get("__kit.sampler.log.length")
    kit.until("__kit.sampler.voices.size === 0")
    assert kit.get("__kit.sampler.log.length") == n_strokes
    assert not kit.get("__kit.phrasePlayer.isPlaying")


def test_layers_are_edited_and_hits_and_whole_kits_exchanged(kit):
    kit.get("__kit.editor.show('snare')")
    before = kit.layers("snare")
    assert len(before) > 2
    assert kit.page.locator("svg.velocities .level").count() == sum(len(ids) for ids in before)
    first = before[0][0]
    kit.page.locator(f'[data-stroke="{first}"] .play').focus()
    kit.page.keyboard.press("Shift+ArrowRight")
    kit.until("__kit.kitSession.bySlot.get('snare').arranged")
    moved = [ids for ids in ([i for i in before[0] if i != first], [*before[1], first]) if ids]
    assert kit.layers("snare")[: len(moved)] == moved
    stroke = kit.layers("snare")[0][0]
    kit.page.locator(f'[data-stroke="{stroke}"] .play').drag_to(
        kit.page.locator(".band").last, target_position={"x": 150, "y": 10}
    )
    kit.until(f"__kit.kitSession.bySlot.get('snare').layers.at(-1).ids.includes({stroke})")
    kit.page.locator(f'[data-stroke="{stroke}"] .play').focus()
    kit.page.keyboard.press("Delete")
    kit.until(f"!__kit.kitSession.hits.has({stroke})")
    for _ in range(3):
        revision = kit.get("__kit.kitSession.kit.revision")
        kit.page.locator(".layers .play").first.focus()
        kit.page.keyboard.press("Control+z")
        kit.until(f"__kit.kitSession.kit.revision > {revision} && !__kit.kitSession.nPending")
    assert kit.layers("snare") == before

    (crash, *_), crash_id = kit.ids("crash"), "__kit.kitSession.bySlot.get('crash').hits[0].id"
    slots = kit.page.get_by_role("region", name="Slots of the kit")
    heard = """__kit.kitSession.bySlot.get('crash').hits.some(h =>
      h.id === __kit.sampler.log.findLast(s => s.slot === 'crash')?.id)"""
    slots.get_by_role("button", name="Next best for Crash").click()
    kit.until(f"{crash_id} !== {crash} && {heard}")  # it plays at once
    assert kit.get("__kit.editor.slot") == "crash"
    slots.get_by_role("button", name="Previous hit for Crash").click()
    kit.until(f"{crash_id} === {crash} && {heard}")

    kit.apply("lock", slot="snare")
    snare, main_hits = kit.ids("snare"), "__kit.kitSession.slots.map(s => s.hits[0].id)"
    kit.click_named("Fill the rest")
    kit.until("__kit.kitSession.kit.choices > 1 && __kit.kitSession.kit.chosen === 0")
    filled = kit.get(main_hits)
    kit.click_named("Alternative kit 2 of")
    kit.until("__kit.kitSession.kit.chosen === 1")
    assert kit.get(main_hits) != filled
    assert kit.ids("snare") == snare


def test_the_kit_fits_one_screen_and_an_export_is_planned_before_it_is_written(kit, tmp_path):
    kit.page.set_viewport_size({"width": 1280, "height": 800})
    heights = "[document.scrollingElement.scrollHeight, innerHeight]"
    assert kit.get(heights) == [800, 800]
    cards = kit.page.locator("[data-card]")
    assert all(box["y"] + box["height"] <= 800 for box in (c.bounding_box() for c in cards.all()))
    kit.click_named("Export", exact=True)
    kit.page.get_by_label("New folder for the kit").fill(str(tmp_path / "evening"))
    kit.click_named("Show the plan")
    panel = kit.page.get_by_role("region", name="Export")
    panel.get_by_text("Nothing that exists is replaced").wait_for()
    assert not (tmp_path / "evening").exists()
    kit.click_named("Write the folder")
    panel.get_by_text("files written to").wait_for()
    assert list((tmp_path / "evening").glob("*.sfz"))
