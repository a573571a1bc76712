"""Commands that scan, list and annotate hits."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    AddCommand,
    ProgressBar,
    cluster_address,
    folder,
    hit_number,
    print_message,
    print_result,
    short_path,
    to_json_value,
)
from catalog.cli.selection import add_selection, names_numbers, read_query, select_hits
from catalog.cli.table import hit_lines, split_columns
from catalog.features.descriptors.note_names import note_name
from catalog.features.descriptors.table import DESCRIPTORS

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.models import Hit
    from catalog.reports import ScanReport
    from catalog.search.drums.drum_pitch import DrumPitch
    from catalog.search.query import Query

COLUMNS_HELP = (
    "id, name, role, session, drum, path, tags, remark, recorded (the date), scanned ... and all"
    " numbers below: name,length,peak"
)
SEEN_ALL_DB = -59.95  # dB; down to -60 dB the decay of a hit is seen
COUNTS = ("added", "changed", "unchanged", "moved", "missing", "skipped")


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    scan = command("scan", "measure new and changed files in folders", _scan)
    scan.add_argument("folders", nargs="+", type=folder, metavar="FOLDER")
    scan.add_argument("--jobs", type=int, default=-1, help="worker processes (default: all cores)")
    scan.add_argument(
        "--cluster",
        type=cluster_address,
        metavar="ADDRESS",
        help="measure on the workers of a running dask cluster",
    )
    scan.add_argument(
        "--exports", action="store_true", help="also scan exported kits; otherwise they are counted"
    )
    scan.add_argument(
        "--again", action="store_true", help="also read files whose size and time are unchanged"
    )
    scan.add_argument(
        "--new-store",
        action="store_true",
        help="start a new store although files are set aside beside it; see `recover`",
    )
    hits = command("hits", "list hits: by words, conditions, order", _hits)
    hits.add_argument("--ids", action="store_true", help="print numbers only, for other commands")
    hits.add_argument("--columns", metavar="A,B,...", help=COLUMNS_HELP)
    hits.add_argument(
        "--events", action="store_true", help="only what is no single stroke: rolls, loops, noise"
    )
    add_selection(hits, show=True)
    copy_out = command("copy-out", "copy the files of hits to a new folder, verified", _copy_out)
    copy_out.add_argument("folder", type=folder, metavar="FOLDER", help="must not exist yet")
    add_selection(copy_out)
    play = command("play", "play a hit through the player of the system, at most -12 dBFS", _play)
    play.add_argument("hit", type=hit_number)
    command("info", "print counts, sizes, places and versions", _info)
    command("show", "print all data of one hit", _show).add_argument("hit", type=hit_number)
    command("skipped", "list files that could not be used, with the reason", _skipped)


def _scan(cat: Catalog, args: argparse.Namespace) -> int:
    with ProgressBar() as bar:
        report = cat.scan(
            args.folders,
            n_jobs=args.jobs,
            cluster=args.cluster or "",
            exports=args.exports,
            again=args.again,
            on_progress=bar,
        )
    value = {"store": cat.store_path, **to_json_value(report)}
    print_result(value, report_lines(cat, report), as_json=args.json)
    is_empty = not any(len(getattr(report, name)) for name in (*COUNTS, "left_out"))
    if is_empty:
        print_message("no audio file was found; check the name of the folder")
    if n := len(report.skipped):
        print_message(f"{n} files could not be used; `catalog skipped` lists them")
    return INCOMPLETE if is_empty else OK


def report_lines(cat: Catalog, report: ScanReport) -> list[str]:
    """Return the report of a scan as lines: files not used, the store, the counts."""
    others = [f"{n} {suffix or 'without suffix'}" for suffix, n in report.not_audio.items()]
    return [
        *(f"skipped: {short_path(skip.path)}: {skip.reason}" for skip in report.skipped),
        *(
            f"left out: {short_path(part.path)}: {part.n_files} files; {part.reason}"
            for part in report.left_out
        ),
        *([f"not audio: {', '.join(others)}"] if others else []),
        f"store: {cat.store_path}",
        str(report),
    ]


def _hits(cat: Catalog, args: argparse.Namespace) -> int:
    found = _find(cat, args)
    columns = split_columns(args.columns) or args.config.columns
    if args.ids and not args.json:
        print_result(found, [hit.id for hit in found], as_json=False)
        return OK
    lines = [] if args.json else hit_lines(cat, found, columns=columns)
    print_result(found, lines, as_json=args.json)
    if not found:
        print_message("no hit matches")
    return OK


def _find(cat: Catalog, args: argparse.Namespace) -> list[Hit]:
    query = read_query(args)
    if names_numbers(args):
        return [cat.hit(hit_id) for hit_id in query.ids or ()]  # in any state
    if args.events:
        query = _events_of(query)
    return cat.search.find(query)


def _events_of(query: Query) -> Query:
    """Return a query for what is no single stroke."""
    from dataclasses import replace

    from catalog.models import EVENTS, Event

    return replace(query, events=tuple(event for event in EVENTS if event != Event.STROKE))


def _copy_out(cat: Catalog, args: argparse.Namespace) -> int:
    ids = select_hits(cat, args)
    if not ids:
        print_result([], (), as_json=args.json)
        print_message("no hit matches; nothing was copied")
        return OK
    copied = cat.files.copy_out(ids, args.folder)
    lines = [short_path(path) for path in copied]
    print_result(copied, [*lines, f"{len(copied)} files, read back and checked"], as_json=args.json)
    return OK


def _play(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.cli.player import play_wav

    play_wav(cat.wav(args.hit))
    return OK


def _info(cat: Catalog, args: argparse.Namespace) -> int:
    import platform
    import sqlite3

    from catalog import __version__
    from catalog.config import config_path

    n_bytes = cat.store_path.stat().st_size
    hits = cat.hits(microphones=True)
    value = {
        "hits": len(cat.hits()),
        "hits_with_each_microphone": len(hits),
        "files": len({hit.path for hit in hits}),
        "sessions": len(cat.takes.sessions()),
        "kits": len(cat.kits.saved()),
        "set_aside": len(cat.hits(states=("aside",))),
        "hidden": len(cat.hits(states=("hidden",))),
        "missing": len(cat.hits(states=("missing",))),
        "store": str(cat.store_path),
        "store_mb": round(n_bytes / 1e6, 1),
        "files_set_aside": f"{cat.store_path}.aside",
        "config": str(config_path()),
        "version": __version__,
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
    }
    lines = [f"{name.replace('_', ' ')}: {text}" for name, text in value.items()]
    print_result(value, lines, as_json=args.json)
    return OK


def _show(cat: Catalog, args: argparse.Namespace) -> int:
    hit = cat.hit(args.hit)
    facts = to_json_value(hit)
    numbers = facts.pop("descriptors")
    lines = [f"{name}: {'-' if value == '' else value}" for name, value in facts.items()]
    bounds = _bound_words(hit.descriptors)
    lines += [
        f"{name}: {'-' if v is None else f'{v:.4g}'}{bounds.get(name, '')}"
        for name, v in numbers.items()
    ]
    new = (d.name for d in DESCRIPTORS if d.name not in numbers)
    lines += [f"{name}: not measured yet; scan its folder again" for name in new]
    pitch = cat.search.drum_pitch(hit.id)
    reason = cat.roles.reason(hit.id)
    lines += [f"why this role: {reason}", f"pitch of the drum: {_pitch_words(pitch)}"]
    drum_pitch = None if pitch is None else pitch._asdict()
    more = {"drum_pitch": drum_pitch, "role_reasons": reason.reasons}
    print_result({**to_json_value(hit), **more}, lines, as_json=args.json)
    return OK


def _bound_words(numbers: Mapping[str, float]) -> dict[str, str]:
    """Return what is known of a number beyond its value, by the name of the number."""
    words = {}
    seen_db = numbers.get("seen_db", math.nan)
    has_noise = math.isfinite(numbers.get("floor_db", math.nan))
    if seen_db > SEEN_ALL_DB:
        reason = "noise hides it below" if has_noise else "the file ends at"
        words["length_s"] = f" at least: {reason} {seen_db:.0f} dB"
    if not has_noise:
        words["floor_db"] = " no noise is seen"
    return words


def _pitch_words(pitch: DrumPitch | None) -> str:
    if pitch is None:
        return "no clear pitch"
    microphone = f" through {pitch.microphone}" if pitch.microphone else ""
    return (
        f"{pitch.hz:.1f} Hz ({note_name(pitch.hz)}), certainty {pitch.certainty:.2f},"
        f" strokes {pitch.n_strokes}{microphone}"
    )


def _skipped(cat: Catalog, args: argparse.Namespace) -> int:
    skipped = cat.review.skipped()
    print_result(
        skipped, (f"{short_path(skip.path)}: {skip.reason}" for skip in skipped), as_json=args.json
    )
    return OK
