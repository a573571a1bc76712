"""A sound file from outside the catalog: sent by the page, searched from, played, forgotten."""

from __future__ import annotations

import atexit
import secrets
import shutil
import tempfile
import threading
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from catalog.audio.decode import decode_file
from catalog.audio.encode import encode_playable
from catalog.errors import AudioError
from catalog.web import state as opened
from catalog.web.api.hits import describe_near, read_wanted
from catalog.web.api.responses import NOT_KEPT, answer
from catalog.web.labels import plain
from catalog.web.payloads import describe_row

MAX_BYTES = 64 * 2**20  # three minutes of stereo at 24 bit and 48 kHz; a hit is far shorter
FILES_KEPT = 4  # the oldest is deleted first
ENDINGS = frozenset({"wav", "aif", "aiff", "flac", "ogg", "oga", "opus", "mp3", "caf", "m4a", "au"})


@dataclass(frozen=True)
class Outside:
    """A file that was sent, under a name of our own, and the name it came with."""

    path: Path
    name: str


_folder: list[Path] = []
_files: OrderedDict[str, Outside] = OrderedDict()
_lock = threading.Lock()


def _own_folder() -> Path:
    with _lock:
        if not _folder:
            _folder.append(Path(tempfile.mkdtemp(prefix="outside-")))
            atexit.register(shutil.rmtree, _folder[0], ignore_errors=True)
        return _folder[0]


def keep_outside(word: str, file: Outside) -> None:
    """Remember a file under a word nobody can guess; the oldest one over the limit is deleted."""
    with _lock:
        _files[word] = file
        while len(_files) > FILES_KEPT:
            _files.popitem(last=False)[1].path.unlink(missing_ok=True)


def _find(request: Request) -> Outside:
    with _lock:
        found = _files.get(request.path_params["word"])
    if found is None:
        raise AudioError(Path("file"), "is no longer here; drop it once more")
    return found


async def _receive(request: Request) -> Response:
    name = plain(request.query_params.get("name", ""))[:200]
    stem, _, ending = name.rpartition(".")
    if not stem or ending.lower() not in ENDINGS:
        return PlainTextResponse("this is no sound file by its name", 400, headers=NOT_KEPT)
    word = secrets.token_urlsafe(12)
    path = _own_folder() / f"{word}.{ending.lower()}"
    try:
        size = 0
        with path.open("wb") as out:
            async for part in request.stream():
                size += len(part)
                if size > MAX_BYTES:
                    raise ValueError
                out.write(part)
    except ValueError:
        path.unlink(missing_ok=True)
        return PlainTextResponse("too big: one hit is wanted", 413, headers=NOT_KEPT)
    file = Outside(path, stem)

    def work() -> Response:
        try:
            row = _describe(word, file)
        except AudioError as err:
            path.unlink(missing_ok=True)
            return PlainTextResponse(f"{stem}: {err.reason}", 400, headers=NOT_KEPT)
        keep_outside(word, file)
        return JSONResponse(row, headers=NOT_KEPT)

    return await answer(work)


def _describe(word: str, file: Outside) -> dict[str, Any]:
    row = describe_row(opened.open_catalog().search.measure_file(file.path))
    return row | {"name": file.name, "url": f"/api/outside/{word}.wav", "outside": word}


async def _sound(request: Request) -> Response:
    def work() -> Response:
        file = _find(request)
        hit = opened.open_catalog().search.measure_file(file.path)
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
