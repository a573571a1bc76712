"""Routes for phrases as times and velocities; the browser picks the strokes."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.errors import KitError
from catalog.kit.phrase import PHRASES, TEMPO_BPM, load_phrase
from catalog.kit.phrase.play import TAIL_S
from catalog.web.api.responses import in_thread, read_body, refuse, run_in_thread, send_json
from catalog.web.labels import count_of, plain
from catalog.web.state import page

MAX_MIDI = 2**20  # bytes; an hour of drums is a tenth of it


async def _phrases(_: Request) -> Response:
    return send_json([{"name": name, "words": text} for name, text in PHRASES.items()])


@in_thread
def _phrase(request: Request) -> Response:
    return _send_phrase(request.path_params["name"])


async def _midi(request: Request) -> Response:
    return await run_in_thread(_send_phrase, await read_body(request, MAX_MIDI))


def _send_phrase(phrase_or_midi: str | bytes) -> Response:
    try:
        phrase = load_phrase(phrase_or_midi, tuple(page().kit_session.kit.slots), page().notes)
    except KitError as err:
        raise refuse(400, plain(str(err))) from err
    beat_s = 60.0 / TEMPO_BPM
    n_left = sum(phrase.left_out.values())
    left = f"{count_of(n_left, 'stroke')} left out: the kit has no slot for them" if n_left else ""
    return send_json(
        {
            "name": plain(phrase.name),
            "events": [
                {"time_s": round(e.beat * beat_s, 6), "slot": e.slot, "velocity": e.velocity}
                for e in phrase.events
            ],
            "length_s": max((e.beat for e in phrase.events), default=0.0) * beat_s + TAIL_S,
            "words": "; ".join(filter(None, (*map(plain, phrase.notes), left))),
        }
    )


ROUTES = (
    Route("/api/phrases", _phrases),
    Route("/api/phrase", _midi, methods=["POST"]),
    Route("/api/phrase/{name:str}", _phrase),
)
