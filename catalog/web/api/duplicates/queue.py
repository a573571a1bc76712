"""Routes for the queue of copies: what was found, and what the user decides."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from catalog.catalog import Catalog
from catalog.duplicates.groups import CopyGroup, UncertainPair
from catalog.errors import CatalogError, StoreError
from catalog.models import Hit, State
from catalog.web.api.responses import in_thread, refuse, send_bytes, send_json, with_json
from catalog.web.labels import count_of, name_folders, plain
from catalog.web.payloads import format_text, pick_row
from catalog.web.state import page

MAX_PAIRS = 200  # doubts sent at once
VERB = "set aside"  # of the act, also if some of the hits are only hidden
REASON = "the same recording as another file"
HEADING = "Duplicates in the catalog"
LISTED = 200  # hits named before they are set aside

Action = Mapping[str, Any]


def describe_queue(catalog: Catalog) -> dict[str, Any]:
    """Return groups and doubts for the browser, and how far the search for them is."""
    state = page().copy_search.state(catalog)
    ids = {i for group in state.groups for i in group.members}
    ids |= {i for pair in state.uncertain[:MAX_PAIRS] for i in (pair.first, pair.second)}
    hits = catalog.hits_by_id(ids, skip_unknown=True)
    kits = catalog.files.kits_using(sorted(hits))
    folders = name_folders(hit.path.parent for hit in hits.values())
    rows = {
        i: describe_member(hit, kits.get(i, ()), folder=folders[hit.path.parent])
        for i, hit in hits.items()
    }
    return {
        "revision": state.revision,
        "running": state.is_running,
        "share": round(100 * state.done / state.total) if state.total else 0,
        "error": plain(state.error),
        "groups": [_describe_group(g, rows) for g in state.groups if set(g.members) <= set(rows)],
        "pairs": [
            _describe_pair(pair, rows)
            for pair in state.uncertain[:MAX_PAIRS]
            if pair.first in rows and pair.second in rows
        ],
    }


def describe_member(hit: Hit, kits: Sequence[str], *, folder: str) -> dict[str, Any]:
    """Return what is shown of one file of a group; `folder` is its name in `name_folders`."""
    length_s = (hit.stop - hit.start) / hit.sr
    return pick_row(hit) | {
        "format": format_text(hit),
        "length_s": round(length_s, 3),
        "folder": plain(folder),
        "bytes": _size_of(hit),
        "kits": [plain(name) for name in kits],
    }


def _size_of(hit: Hit) -> int:
    """Return the size of a file in bytes; 0 if it is missing."""
    try:
        return hit.path.stat().st_size
    except OSError:
        return 0


def _describe_group(group: CopyGroup, rows: Mapping[int, dict[str, Any]]) -> dict[str, Any]:
    others = [
        rows[i] | {"evidence": round(evidence, 4)}
        for i, evidence in zip(group.others, group.evidence, strict=True)
    ]
    return {
        "kind": group.certainty,
        "keep": rows[group.keep],
        "others": others,
        "reason": plain(group.reason),
    }


def _describe_pair(pair: UncertainPair, rows: Mapping[int, dict[str, Any]]) -> dict[str, Any]:
    other = rows[pair.second] | {"evidence": round(pair.evidence, 4)}
    return {"kind": pair.certainty, "keep": rows[pair.first], "others": [other], "reason": ""}


@in_thread
def _queue(_: Request) -> Response:
    return send_json(describe_queue(page().catalog))


# What the user decides about a group or a pair; each can be undone.
DECISIONS: Mapping[str, Callable[[Catalog, Action], object]] = {
    "keep": lambda catalog, action: catalog.duplicates.keep(action["id"]),
    "same": lambda catalog, a: catalog.duplicates.set_verdict(a["first"], a["second"], True),
    "differ": lambda catalog, a: catalog.duplicates.set_verdict(a["first"], a["second"], False),
}


@with_json
def _decide(action: Any) -> Response:
    try:
        DECISIONS[action["op"]](page().catalog, action)
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    except (KeyError, TypeError, ValueError, OverflowError) as err:
        raise refuse(400, "not understood") from err
    return send_json({})


@with_json
def _set_aside(action: Any) -> Response:
    """Set hits aside; "answers" are those to the questions of an earlier request."""
    try:
        ids, answers = [int(i) for i in action["ids"]], dict(action.get("answers", {}))
        return send_json(set_aside(page().catalog, ids, answers))
    except CatalogError as err:
        raise refuse(400, plain(str(err))) from err
    except OSError as err:
        raise refuse(400, f"a file could not be moved: {plain(err.strerror or str(err))}") from err
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as err:
        raise refuse(400, "not understood") from err


def set_aside(
    catalog: Catalog, hit_ids: Sequence[int], answers: Mapping[str, bool]
) -> dict[str, Any]:
    """Set hits aside, or return the questions that are to be answered first.

    Parameters
    ----------
    catalog : Catalog
    hit_ids : sequence of int
    answers : mapping
        "kits": whether hits that saved kits need are set aside as well; "hide": whether hits whose
        files cannot be moved are hidden; "notes": that annotations go to the hits that stay; a
        question is asked only if it is not answered here

    Returns
    -------
    dict
        "questions", each with "kind" and "lines", if something must be decided first; else "text"

    Raises
    ------
    CatalogError
        if one is set aside or hidden already, or the file to keep is missing or changed; nothing
        is moved then
    """
    _check_here(catalog, hit_ids)
    stuck = catalog.duplicates.take_faults(hit_ids)
    stuck |= catalog.files.obstacles(hit_ids, keep_exports=True)
    needed = {i: k for i, k in catalog.files.kits_using(hit_ids).items() if i not in stuck}
    given = catalog.files.plan_hand_over([i for i in hit_ids if i not in stuck])
    if questions := _find_questions(catalog, answers, stuck=stuck, needed=needed, given=given):
        return {"questions": questions}
    stay = set(stuck) | (set() if answers.get("kits") else set(needed))
    moved = _movable(catalog, [i for i in hit_ids if i not in stay])
    hidden = [i for i in hit_ids if i in stuck] if answers.get("hide") else []
    if faults := catalog.duplicates.keeper_faults([*moved, *hidden]):
        raise StoreError(f"{next(iter(faults.values()))}. Nothing was moved.")
    n_files = len({catalog.hit(i).path for i in moved})
    text = f"{count_of(len(moved) + len(hidden), 'hit')}: {REASON}"
    with catalog.files.as_one_act(VERB, text):
        if moved:
            catalog.set_aside(moved, reason=REASON, even_in_kits=True)
        if hidden:
            catalog.files.hide(hidden, reason=REASON)
    parts = [f"{count_of(n_files, 'file')} set aside"] if moved else []
    parts += [f"{count_of(len(hidden), 'hit')} hidden"] if hidden else []
    return {"text": ", ".join(parts) or "Nothing was set aside."}


def _movable(catalog: Catalog, hit_ids: Sequence[int]) -> list[int]:
    """Leave out the strokes of a take of which another stroke stays."""
    stuck = catalog.files.obstacles(hit_ids, keep_exports=True)
    return [hit_id for hit_id in hit_ids if hit_id not in stuck]


def _check_here(catalog: Catalog, hit_ids: Sequence[int]) -> None:
    for hit in map(catalog.hit, hit_ids):
        if hit.state != State.HERE:
            state = "set aside already" if hit.state == State.ASIDE else f"{hit.state} already"
            raise StoreError(f"{hit.name}: is {state}; nothing was moved")


def _find_questions(
    catalog: Catalog,
    answers: Mapping[str, bool],
    *,
    stuck: Mapping[int, str],
    needed: Mapping[int, Sequence[str]],
    given: Mapping[int, int],
) -> list[dict[str, Any]]:
    lines = {
        "kits": [f"{catalog.hit(i).name}, in {', '.join(names)}" for i, names in needed.items()],
        "hide": list(stuck.values()),
        "notes": [f"{catalog.hit(i).name} to {catalog.hit(k).name}" for i, k in given.items()],
    }
    return [
        {"kind": kind, "lines": [plain(line) for line in found[:LISTED]]}
        for kind, found in lines.items()
        if found and kind not in answers
    ]


@in_thread
def _report(_: Request) -> Response:
    text = page().catalog.duplicates.report(heading=HEADING)
    return send_bytes(text.encode(), kind="text/plain; charset=utf-8")


ROUTES = (
    Route("/api/duplicates", _queue),
    Route("/api/duplicates/report", _report),
    Route("/api/duplicates/decide", _decide, methods=["POST"]),
    Route("/api/duplicates/set-aside", _set_aside, methods=["POST"]),
)
