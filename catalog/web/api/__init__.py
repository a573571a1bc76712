"""The routes of the page under /api/; hits are addressed by id, never by path."""

from starlette.routing import Route

# No `from __future__ import annotations` here: it would hide the module of that name.
from catalog.web.api import annotations, audio, find, folders, hits, phrases, questions, uploads
from catalog.web.api.duplicates import overlays, queue
from catalog.web.api.kits import balance, draft, export, saved

MODULES = (
    find, hits, audio, uploads, overlays, queue, phrases, annotations, draft, saved,
    export, balance, questions, folders,
)  # fmt: skip


def api_routes() -> list[Route]:
    """Return all routes of the page."""
    return [route for module in MODULES for route in module.ROUTES]
