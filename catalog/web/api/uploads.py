"""Routes for an audio file that is not in the catalog: upload it, search from it, play it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_playable
from catalog.errors import AudioError
from catalog.web.api.hits import describe_near, read_wanted
from catalog.web.api.responses import NOT_KEPT, answer
from catalog.web.labels import plain
from catalog.web.limits import MAX_UPLOAD_BYTES
from catalog.web.payloads import describe_row
from catalog.web.state import page
from catalog.web.upload_store import Upload

ENDINGS = frozenset({"wav", "aif", "aiff", "flac", "ogg", "oga", "opus", "mp3", "caf", "m4a", "au"})


def _find(request: Request) -> Upload:
    found = page().uploads.get(request.path_params["word"])
    if found is None:
        raise AudioError(Path("file"), "is no longer here; drop it once more")
    return found


async def _receive(request: Request) -> Response:
    name = plain(request.query_params.get("name", ""))[:200]
    stem, _, ending = name.rpartition(".")
    if not stem or ending.lower() not in ENDINGS:
        return PlainTextResponse("this is no sound file by its name", 400, headers=NOT_KEPT)
    word, path = page().uploads.new_place(ending.lower())
    try:
        size = 0
        with path.open("wb") as out:
            async for part in request.stream():
                size += len(part)
                if size > MAX_UPLOAD_BYTES:
                    raise ValueError
                out.write(part)
    except ValueError:
        path.unlink(missing_ok=True)
        return PlainTextResponse("too big: one hit is wanted", 413, headers=NOT_KEPT)
    file = Upload(path, stem)

    def work() -> Response:
        try:
            row = _describe(word, file)
        except AudioError as err:
            path.unlink(missing_ok=True)
            return PlainTextResponse(f"{stem}: {err.reason}", 400, headers=NOT_KEPT)
        page().uploads.put(word, file)
        return JSONResponse(row, headers=NOT_KEPT)

    return await answer(work)


def _describe(word: str, file: Upload) -> dict[str, Any]:
    row = describe_row(page().catalog.search.measure_file(file.path))
    return row | {"name": file.name, "url": f"/api/outside/{word}.wav", "outside": word}


async def _sound(request: Request) -> Response:
    def work() -> Response:
        file = _find(request)
        hit = page().catalog.search.measure_file(file.path)
        audio = decode_file(file.path, start=hit.start, stop=hit.stop)
        return Response(encode_playable(audio), media_type="audio/wav", headers=NOT_KEPT)

    return await answer(work)


async def _near(request: Request) -> Response:
    wanted = read_wanted(request.query_params)

    def work() -> Response:
        return JSONResponse(describe_near(_find(request).path, wanted), headers=NOT_KEPT)

    return await answer(work)


ROUTES = (
    Route("/api/outside", _receive, methods=["POST"]),
    Route("/api/outside/{word:str}.wav", _sound),
    Route("/api/outside/{word:str}/near", _near),
)
