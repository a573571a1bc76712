"""Routes for phrases as times and velocities; the browser picks the strokes."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.errors import KitError
from catalog.kit.phrase import PHRASES, TEMPO_BPM, Phrase, load_phrase
from catalog.kit.phrase.play import TAIL_S
from catalog.web.api.responses import NOT_KEPT, answer, read_body
from catalog.web.labels import count_of, plain
from catalog.web.state import page

MAX_MIDI = 2**20  # bytes; an hour of drums is a tenth of it


async def _phrases(_: Request) -> Response:
    return JSONResponse([{"name": n, "words": w} for n, w in PHRASES.items()], headers=NOT_KEPT)


async def _phrase(request: Request) -> Response:
    return await _play(request.path_params["name"])


async def _midi(request: Request) -> Response:
    try:
        data = await read_body(request, MAX_MIDI)
    except ValueError as err:
        return PlainTextResponse(str(err), 400, headers=NOT_KEPT)
    return await _play(data)


async def _play(phrase: str | bytes) -> Response:
    def work() -> Response:
        slots = tuple(page().kit_session.kit.slots)
        try:
            found = load_phrase(phrase, slots)
        except KitError as err:
            return PlainTextResponse(plain(str(err)), 400, headers=NOT_KEPT)
        return JSONResponse(_describe(found), headers=NOT_KEPT)

    return await answer(work)


def _describe(phrase: Phrase) -> dict[str, object]:
    beat_s = 60.0 / TEMPO_BPM
    n_left = sum(phrase.left_out.values())
    left = f"{count_of(n_left, 'stroke')} left out: the kit has no place for them" if n_left else ""
    return {
        "name": plain(phrase.name),
        "events": [
            {"time_s": round(e.beat * beat_s, 6), "slot": e.slot, "velocity": e.velocity}
            for e in phrase.events
        ],
        "length_s": max((e.beat for e in phrase.events), default=0.0) * beat_s + TAIL_S,
        "words": "; ".join(filter(None, (*map(plain, phrase.notes), left))),
    }


ROUTES = (
    Route("/api/phrases", _phrases),
    Route("/api/phrase", _midi, methods=["POST"]),
    Route("/api/phrase/{name:str}", _phrase),
)
