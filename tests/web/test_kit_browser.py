"""The kit in a real browser: what was put where, what was played when by the audio clock."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import pytest

from catalog import Catalog
from catalog.kit.layers import layers_of
from catalog.kit.phrase import select_phrase
from catalog.web.kit_session.actions import apply_action
from catalog.web.kit_session.session import KitSession
from tests.web.browsing import Visit, find, serve, watch

pytestmark = [pytest.mark.browser, pytest.mark.slow]

ROOT = Path(__file__).parents[2]
PLACES = ["kick", "snare", "hat_closed", "hat_pedal", "hat_open", "crash"]
CLOCK_S = 1e-6  # the browser hands times on as doubles; a sample at 48 kHz is 21 µs
# Writes down what reaches the sound card's clock, and stands in for pads that are plugged in.
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
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of the demo library with a kit on the table, layers and all; not to be changed."""
    store = tmp_path_factory.mktemp("demo") / "demo.sqlite"
    with Catalog.open(store) as catalog:
        catalog.scan([ROOT / "demo_library"])
        session = KitSession.load(catalog)
        apply_action(session, {"op": "fill", "slots": PLACES})
        apply_action(session, {"op": "layers"})
    return store


@pytest.fixture(scope="module")
def demo_address(demo) -> Iterator[str]:
    with serve(demo) as address:
        yield address


class KitVisit(Visit):
    """A visit to the part "Kit"."""

    def __init__(self, page, address: str, *, ready: str) -> None:
        page.add_init_script(SPY)
        super().__init__(page, f"{address}?part=Kit", ready=ready)

    def act(self, op: str, **more: object) -> None:
        assert self.page.evaluate("([op, more]) => __kit.kitSession.apply(op, more)", [op, more])

    def ids(self, slot: str) -> list[int]:
        return self.get(f"(__kit.kitSession.bySlot.get({slot!r})?.hits ?? []).map(h => h.id)")

    def layers(self, slot: str) -> list[list[int]]:
        return self.get(f"__kit.kitSession.bySlot.get({slot!r}).layers.map(l => l.ids)")

    def wake(self) -> None:
        self.page.locator(".large .pad").first.click()
        self.until("__kit.engine.isAwake() && __kit.sampler.log.length")


@pytest.fixture
def kit(browser, demo_address) -> Iterator[KitVisit]:
    with watch(
        browser, demo_address, ready="globalThis.__kit?.kitSession.kit", kind=KitVisit
    ) as one:
        one.until("__kit.kitSession.slots.length >= 6")
        revision = one.get("__kit.kitSession.kit.undo")
        yield one
        while one.get("__kit.kitSession.kit.undo") not in (revision, ""):
            one.act("undo")


def test_a_row_is_dragged_into_an_empty_place_and_is_there_after_a_restart(browser, own):
    with serve(own.store) as address, watch(browser, address) as visit:
        snare = find(own.store, "snare_1")
        visit.get(f"__audition.map.choose({snare})")
        visit.until(f"__audition.panel.shownFor === {snare}")
        row = visit.page.locator(".chosen .row").first
        dragged = int(row.get_attribute("data-id"))
        role = visit.get(f"__audition.panel.shown.alternates.find(r => r.id === {dragged}).role")
        row.scroll_into_view_if_needed()
        row.hover()
        visit.page.mouse.down()
        visit.page.mouse.move(30, 300, steps=4)
        place = visit.page.locator(f'.pads .pad.empty[data-slot="{role}"]')
        place.scroll_into_view_if_needed()
        box = place.bounding_box()
        visit.page.mouse.move(box["x"] + 20, box["y"] + 10, steps=4)
        visit.page.mouse.up()
        visit.until("__audition.kitSession.slots.length === 1")
        assert visit.get(
            "__audition.kitSession.slots.map(s => [s.slot, s.hits[0].id, s.locked])"
        ) == [[role, dragged, True]]
    with serve(own.store) as address, watch(browser, address) as visit:
        visit.until("__audition.kitSession.slots.length === 1")
        assert visit.get("__audition.kitSession.slots[0].hits[0].id") == dragged


def test_pads_are_asked_for_by_a_button_and_velocity_chooses_the_layer(kit, demo):
    kit.wake()
    assert kit.get("window.__asked === undefined")
    kit.page.get_by_role("button", name="Connect MIDI input").click()
    kit.page.get_by_text("Connected: practice pads").wait_for()
    assert kit.get("window.__asked") == {"sysex": False}
    with Catalog.open(demo) as catalog:
        now = KitSession.load(catalog).kit
        hits = {i: catalog.hit(i) for i in now.slots["snare"]}
        layers = layers_of(now, "snare", hits)
    assert len(layers) > 1
    for velocity in (1, 64, 127):
        before = kit.get("__kit.sampler.log.length")
        kit.get(f"__press(0x99, 38, {velocity})")  # General MIDI: 38 is the acoustic snare
        kit.until(f"__kit.sampler.log.length === {before + 1}")
        struck = kit.get("__kit.sampler.log.at(-1)")
        (layer,) = [x for x in layers if x.lowest <= velocity <= x.highest]
        assert struck["slot"] == "snare"
        assert struck["id"] in [hit.id for hit in layer.hits]
    kit.get("__press(0x99, 38, 0)")  # a key that is let go
    kit.get("__press(0x99, 81, 90)")  # the open triangle, which no place has
    kit.page.get_by_text("Note 81 has no slot in this kit").wait_for()
    assert kit.get("__kit.sampler.log.length") == before + 1


def test_a_browser_that_refuses_pads_is_told_in_words(kit):
    kit.get("window.__refuse = true")
    kit.page.get_by_role("button", name="Connect MIDI input").click()
    kit.page.get_by_text("The browser denied MIDI access: not now").wait_for()


def test_strokes_of_one_layer_take_turns(kit):
    kit.wake()
    slot = kit.get(
        "(() => { for (const s of __kit.kitSession.slots) for (const l of s.layers)"
        " if (l.ids.length > 1) return [s.slot, l.highest, l.ids]; })()"
    )
    name, velocity, ids = slot
    kit.get("__kit.sampler.resetRoundRobins()")
    for turn in range(len(ids) + 1):
        before = kit.get("__kit.sampler.log.length")
        kit.page.evaluate(
            "([s, v]) => __kit.sampler.trigger(__kit.kitSession.bySlot.get(s), v)", [name, velocity]
        )
        kit.until(f"__kit.sampler.log.length === {before + 1}")
        assert kit.get("__kit.sampler.log.at(-1).id") == ids[turn % len(ids)]


def test_a_phrase_is_planned_ahead_on_the_audio_clock_and_hats_stop_each_other(kit):
    kit.wake()
    kit.get("(__kit.sampler.log.length = 0, __falls.length = 0)")
    kit.page.get_by_role("button", name="Play", exact=True).click()
    kit.until("__kit.phrasePlayer.isPlaying && __kit.phrasePlayer.schedule?.start > 0")
    kit.get("__starts.splice(0)")
    kit.until("!__kit.phrasePlayer.isPlaying")
    events = select_phrase("two bars", kit.get("__kit.kitSession.slots.map(s => s.slot)")).events
    log, t0 = kit.get("__kit.sampler.log"), kit.get("__kit.phrasePlayer.schedule?.start")
    beat_s = 60.0 / 96.0
    assert [(s["slot"], s["velocity"]) for s in log] == [(e.slot, e.velocity) for e in events]
    for struck, event in zip(log, events, strict=True):
        assert struck["when"] == pytest.approx(t0 + event.beat * beat_s, abs=CLOCK_S)
    ahead = [when - now for when, now in kit.get("__starts")]
    assert ahead
    assert min(ahead) > 0.0  # planned before its time came
    hats = sorted((s for s in log if s["slot"].startswith("hat_")), key=lambda s: s["when"])
    falls = kit.get("__falls")
    cut = [b["when"] for a, b in pairwise(hats) if a["end"] > b["when"]]
    assert "hat_open" in [a["slot"] for a, b in pairwise(hats) if a["end"] > b["when"]]
    assert [when for when, _, _ in falls] == pytest.approx(cut, abs=CLOCK_S)
    assert all((round(length, 6), end) == (0.05, 0.0) for _, length, end in falls)


def test_stop_ends_what_sounds_and_what_is_planned(kit):
    kit.wake()
    kit.page.get_by_role("button", name="Play", exact=True).click()
    kit.until("__kit.phrasePlayer.schedule?.next > 3")
    kit.page.get_by_role("button", name="Stop").click()
    n = kit.get("__kit.sampler.log.length")
    kit.until("__kit.sampler.voices.size === 0")
    assert kit.get("__kit.sampler.log.length") == n
    assert not kit.get("__kit.phrasePlayer.isPlaying")


def test_a_stroke_is_moved_by_keys_and_by_pointer_taken_out_and_all_of_it_taken_back(kit):
    kit.get("__kit.editor.slot === 'snare' || __kit.editor.toggle('snare')")
    before = kit.layers("snare")
    assert len(before) > 2
    first = before[0][0]
    kit.page.locator(f'[data-stroke="{first}"] .play').focus()
    kit.page.keyboard.press("Shift+ArrowRight")
    kit.until("__kit.kitSession.bySlot.get('snare').arranged")
    moved = [ids for ids in ([i for i in before[0] if i != first], [*before[1], first]) if ids]
    assert kit.layers("snare")[: len(moved)] == moved
    stroke = kit.layers("snare")[0][0]
    kit.page.locator(f'[data-stroke="{stroke}"] .play').drag_to(
        kit.page.locator(".band").last, target_position={"x": 60, "y": 10}
    )
    kit.until(f"__kit.kitSession.bySlot.get('snare').layers.at(-1).ids.includes({stroke})")
    kit.page.locator(f'[data-stroke="{stroke}"] .play').focus()
    kit.page.keyboard.press("Delete")
    kit.until(f"!__kit.kitSession.hits.has({stroke})")
    for _ in range(3):
        revision = kit.get("__kit.kitSession.kit.revision")
        kit.page.locator(".strokes .play").first.focus()
        kit.page.keyboard.press("Control+z")
        kit.until(f"__kit.kitSession.kit.revision > {revision} && !__kit.kitSession.nPending")
    assert kit.layers("snare") == before


def test_next_best_and_back_again(kit):
    before = kit.ids("crash")[0]
    kit.page.get_by_role("button", name="Next best for Crash").click()
    kit.until(f"__kit.kitSession.bySlot.get('crash').hits[0].id !== {before}")
    kit.page.get_by_role("button", name="Previous hit for Crash").click()
    kit.until(f"__kit.kitSession.bySlot.get('crash').hits[0].id === {before}")


def test_whole_kits_are_chosen_from_and_a_locked_place_stays(kit):
    kit.act("lock", slot="snare")
    snare = kit.ids("snare")
    kit.press(kit.page.get_by_role("button", name="Fill the rest"))
    kit.until("__kit.kitSession.kit.choices > 1 && __kit.kitSession.kit.chosen === 0")
    first = kit.get("__kit.kitSession.slots.map(s => s.hits[0].id)")
    kit.page.get_by_role("button", name="Alternative kit 2 of").click()
    kit.until("__kit.kitSession.kit.chosen === 1")
    assert kit.get("__kit.kitSession.slots.map(s => s.hits[0].id)") != first
    assert kit.ids("snare") == snare
