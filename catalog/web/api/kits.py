"""The kit on the table, told and changed, and a kit on its way out as one zip."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from catalog.errors import CatalogError
from catalog.kit.slots import SLOTS
from catalog.web import state as opened
from catalog.web.api.responses import NOT_KEPT, answer, read_json
from catalog.web.kit_session.actions import other_strokes, take_act
from catalog.web.kit_session.payload import describe_kit, describe_stroke
from catalog.web.kit_session.session import open_draft
from catalog.web.labels import plain

ZIP_PIECE = 2**16


async def _kit(request: Request) -> Response:
    def work() -> Response:
        catalog = opened.open_catalog()
        return JSONResponse(describe_kit(catalog, open_draft(catalog)), headers=NOT_KEPT)

    return await answer(work)


async def _act(request: Request) -> Response:
    try:
        act = await read_json(request)
    except ValueError as err:
        return PlainTextResponse(str(err), 400, headers=NOT_KEPT)
    if not isinstance(act, dict):
        return PlainTextResponse("not understood", 400, headers=NOT_KEPT)

    def work() -> Response:
        catalog = opened.open_catalog()
        try:
            draft = take_act(catalog, act)
        except CatalogError as err:
            return PlainTextResponse(plain(str(err)), 400, headers=NOT_KEPT)
        return JSONResponse(describe_kit(catalog, draft), headers=NOT_KEPT)

    return await answer(work)


async def _strokes(request: Request) -> Response:
    slot = request.path_params["slot"]
    if slot not in SLOTS:
        return PlainTextResponse("no such place", 404, headers=NOT_KEPT)

    def work() -> Response:
        catalog = opened.open_catalog()
        rows = [describe_stroke(hit) for hit in other_strokes(catalog, slot)]
        return JSONResponse(rows, headers=NOT_KEPT)

    return await answer(work)


async def _export(request: Request) -> Response:
    kit = opened.get_outgoing(request.path_params["word"])
    if kit is None:
        return PlainTextResponse("no such kit; open the export again", 404, headers=NOT_KEPT)

    def work() -> Response:
        place = tempfile.TemporaryDirectory(prefix="kit-")
        file = zip_kit(kit, Path(place.name))
        return StreamingResponse(
            _send_then_clear(file, place),
            media_type="application/zip",
            headers=NOT_KEPT | {"Content-Disposition": 'attachment; filename="kit.zip"'},
        )

    return await answer(work)


def zip_kit(kit: Any, folder: Path) -> Path:
    """Write a kit below `folder` and pack it into one file there.

    Raises
    ------
    KitError
        if the kit cannot be written
    """
    written = opened.open_catalog().export_kit(kit, folder / "kit")
    with zipfile.ZipFile(folder / "kit.zip", "w", zipfile.ZIP_DEFLATED) as pack:
        for path in sorted(written):
            pack.write(path, path.relative_to(folder))
    return folder / "kit.zip"


def _send_then_clear(file: Path, place: tempfile.TemporaryDirectory[str]) -> Iterator[bytes]:
    with place, file.open("rb") as body:
        while piece := body.read(ZIP_PIECE):
            yield piece


ROUTES = (
    Route("/api/kit", _kit),
    Route("/api/kit/act", _act, methods=["POST"]),
    Route("/api/kit/strokes/{slot:str}", _strokes),
    Route("/api/export/{word:str}", _export),
)
