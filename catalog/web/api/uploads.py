"""Routes for an audio file that is not in the catalog: upload it, search from it, play it."""

from __future__ import annotations

from pathlib import Path

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_playable
from catalog.errors import AudioError, CatalogError
from catalog.web.api.hits import send_near
from catalog.web.api.responses import (
    in_thread,
    receive_parts,
    refuse,
    run_in_thread,
    send_bytes,
    send_json,
)
from catalog.web.labels import plain
from catalog.web.payloads import MAX_UPLOAD_BYTES, MAX_UPLOAD_VALUES, describe_row
from catalog.web.state import page

ENDINGS = frozenset({"wav", "aif", "aiff", "flac", "ogg", "oga", "opus", "mp3", "caf", "m4a", "au"})


def _find(request: Request) -> Path:
    path = page().uploads.get(request.path_params["token"])
    if path is None:
        raise AudioError(Path("file"), "is no longer here; drop it once more")
    return path


async def _receive(request: Request) -> Response:
    name = plain(request.query_params.get("name", ""))[:200]
    stem, _, ending = name.rpartition(".")
    if not stem or ending.lower() not in ENDINGS:
        raise refuse(400, "the name of this file is not that of an audio file")
    try:
        with page().uploads.receive(ending.lower()) as (token, path):
            await _save(request, path)
            return await run_in_thread(_measure, token, path, stem)
    except OSError as err:
        raise refuse(400, f"this file cannot be stored ({err.strerror}); free some space") from err
    except CatalogError as err:
        raise refuse(429, str(err)) from err


async def _save(request: Request, path: Path) -> None:
    too_much = refuse(413, "this file is too large for one hit")
    with path.open("xb") as out:
        async for part in receive_parts(request, MAX_UPLOAD_BYTES, too_much=too_much):
            out.write(part)


def _measure(token: str, path: Path, name: str) -> Response:
    try:
        with page().uploads.measuring:
            # Refused as soon as it is too long: a small file can decode to hours of silence.
            decode_file(path, most_values=MAX_UPLOAD_VALUES)
            row = describe_row(page().catalog.search.measure_file(path))
    except AudioError as err:
        raise refuse(400, f"{name}: {err.reason}") from err
    page().uploads.put(token, path)
    return send_json(row | {"name": name, "url": f"/api/outside/{token}.wav", "outside": token})


@in_thread
def _audio(request: Request) -> Response:
    path = _find(request)
    hit = page().catalog.search.measure_file(path)
    audio = decode_file(path, start=hit.start, stop=hit.stop)
    return send_bytes(encode_playable(audio), kind="audio/wav")


@in_thread
def _near(request: Request) -> Response:
    return send_near(_find(request), request.query_params)


ROUTES = (
    Route("/api/outside", _receive, methods=["POST"]),
    Route("/api/outside/{token:str}.wav", _audio),
    Route("/api/outside/{token:str}/near", _near),
)
