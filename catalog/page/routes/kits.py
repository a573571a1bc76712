"""A kit on its way out as one zip."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from catalog.page import opened
from catalog.page.routes.answers import NOT_KEPT, answer

ZIP_PIECE = 2**16


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


ROUTES = (Route("/api/export/{word:str}", _export),)
