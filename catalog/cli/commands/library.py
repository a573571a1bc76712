"""Commands that scan, list and annotate hits."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    AddCommand,
    ProgressBar,
    change_code,
    folder,
    hit_line,
    print_message,
    print_result,
    short_path,
    to_json_value,
)
from catalog.errors import ParameterError

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.library.store.records.annotations import Annotation
    from catalog.models import Hit, ScanReport
    from catalog.search.drum_pitch import DrumPitch

MARK_CHOICES = ("master", "spare", "no-good")
COUNTS = ("added", "changed", "unchanged", "moved", "missing", "skipped")


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    scan = command("scan", "measure new and changed files in folders", _scan)
    scan.add_argument("folders", nargs="+", type=folder, metavar="FOLDER")
    scan.add_argument("--jobs", type=int, default=-1, help="worker processes (default: all cores)")
    scan.add_argument(
        "--cluster", default="", metavar="ADDRESS", help="measure on a running dask cluster"
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
    hits = command("hits", "list hits", _hits)
    hits.add_argument("--role", help="only hits of this role, such as hat_closed")
    hits.add_argument("--session", help="only hits of this session")
    hits.add_argument("--mark", choices=MARK_CHOICES, help="only hits with this mark")
    hits.add_argument("--tag", metavar="TAG", help="only hits with this tag")
    hits.add_argument("--state", choices=("here", "missing", "aside", "hidden"), default="here")
    hits.add_argument(
        "--microphones", action="store_true", help="list each microphone of a stroke as a hit"
    )
    hits.add_argument(
        "--events", action="store_true", help="only what is no single stroke: rolls, loops, noise"
    )
    command("show", "print all data of one hit", _show).add_argument("hit", type=int)
    role = command("role", "set the role of a hit", _role)
    role.add_argument("hit", type=int)
    role.add_argument("role", help="kick, snare, tom ..., or auto for the automatic one")
    mark = command("mark", "mark hits, or remove their mark", _mark)
    mark.add_argument("mark", choices=(*MARK_CHOICES, "none"))
    mark.add_argument("hits", nargs="+", type=int, metavar="HIT")
    tag = command("tag", "add tags to hits, or remove tags", _tag)
    tag.add_argument("hits", nargs="+", type=int, metavar="HIT")
    tag.add_argument("--add", action="append", default=[], metavar="TAG", help="may be repeated")
    tag.add_argument("--drop", action="append", default=[], metavar="TAG", help="may be repeated")
    tag.add_argument("--remark", metavar="TEXT", help='free text; "" removes it')
    command("skipped", "list files that could not be used, with the reason", _skipped)


def _scan(cat: Catalog, args: argparse.Namespace) -> int:
    with ProgressBar() as bar:
        report = cat.scan(
            args.folders,
            n_jobs=args.jobs,
            cluster=args.cluster,
            exports=args.exports,
            again=args.again,
            on_progress=bar,
        )
    value = {"store": cat.store_path, **to_json_value(report)}
    print_result(value, report_lines(cat, report), as_json=args.json)
    is_empty = not any(len(getattr(report, name)) for name in (*COUNTS, "left_out"))
    if is_empty:
        print_message("no audio file was found; check the name of the folder")
    return INCOMPLETE if report.skipped or is_empty else OK


def report_lines(cat: Catalog, report: ScanReport) -> list[str]:
    """Return the report of a scan as lines: files not used, the store, the counts."""
    n_left_out = sum(part.n_files for part in report.left_out)
    left_out = [f"{n_left_out} left out (exported kits)"] if n_left_out else []
    others = [f"{n} {suffix or 'without suffix'}" for suffix, n in report.not_audio.items()]
    return [
        *(f"skipped: {short_path(skip.path)}: {skip.reason}" for skip in report.skipped),
        *(
            f"left out: {short_path(part.path)}: {part.n_files} files; {part.reason}"
            for part in report.left_out
        ),
        *([f"not audio: {', '.join(others)}"] if others else []),
        f"store: {cat.store_path}",
        ", ".join([*(f"{len(getattr(report, name))} {name}" for name in COUNTS), *left_out]),
    ]


def _hits(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.models import ROLES

    if args.role is not None and args.role not in ROLES:
        raise ParameterError(f"no role is named {args.role!r}; roles: {', '.join(ROLES)}")
    found = [
        hit
        for hit in _list_hits(cat, args)
        if args.role in (None, hit.role)
        and args.session in (None, hit.session)
        and args.mark in (None, hit.mark)
        and (args.tag is None or args.tag in hit.tags)
    ]
    print_result(found, [hit_line(hit) for hit in found] or ["no hit matches"], as_json=args.json)
    return OK if found else INCOMPLETE


def _list_hits(cat: Catalog, args: argparse.Namespace) -> Sequence[Hit]:
    if args.events:
        return cat.takes.events(states=(args.state,))
    return cat.hits(states=(args.state,), microphones=args.microphones)


def _show(cat: Catalog, args: argparse.Namespace) -> int:
    hit = cat.hit(args.hit)
    facts = to_json_value(hit)
    numbers = facts.pop("descriptors")
    lines = [f"{name}: {'-' if value == '' else value}" for name, value in facts.items()]
    lines += [f"{name}: {'-' if v is None else f'{v:.4g}'}" for name, v in numbers.items()]
    pitch = cat.search.drum_pitch(hit.id)
    lines.append(f"pitch of the drum: {_pitch_words(pitch)}")
    drum_pitch = None if pitch is None else pitch._asdict()
    print_result({**to_json_value(hit), "drum_pitch": drum_pitch}, lines, as_json=args.json)
    return OK


def _pitch_words(pitch: DrumPitch | None) -> str:
    from catalog.features.descriptors import note_name  # numpy, which only this needs

    if pitch is None:
        return "no clear pitch"
    microphone = f" through {pitch.microphone}" if pitch.microphone else ""
    return (
        f"{pitch.hz:.1f} Hz ({note_name(pitch.hz)}), certainty {pitch.certainty:.2f},"
        f" strokes {pitch.n_strokes}{microphone}"
    )


def _role(cat: Catalog, args: argparse.Namespace) -> int:
    before = cat.hit(args.hit)
    cat.set_role(args.hit, "" if args.role == "auto" else args.role)
    hit = cat.hit(args.hit)
    print_result(hit, [hit_line(hit)], as_json=args.json)
    return change_code((before.role, before.role_source) != (hit.role, hit.role_source))


def _mark(cat: Catalog, args: argparse.Namespace) -> int:
    mark = "" if args.mark == "none" else args.mark
    return _print_marked(cat, args, cat.annotations.annotate(args.hits, mark=mark))


def _tag(cat: Catalog, args: argparse.Namespace) -> int:
    changed = cat.annotations.annotate(args.hits, add=args.add, drop=args.drop, remark=args.remark)
    return _print_marked(cat, args, changed)


def _print_marked(cat: Catalog, args: argparse.Namespace, changed: Sequence[Annotation]) -> int:
    hits = [cat.hit(hit_id) for hit_id in args.hits]
    lines = [
        f"{hit_line(hit)}  {hit.mark or '-'}  {', '.join(hit.tags)}  {hit.remark}" for hit in hits
    ]
    print_result(hits, lines, as_json=args.json)
    return change_code(bool(changed))


def _skipped(cat: Catalog, args: argparse.Namespace) -> int:
    skipped = cat.review.skipped()
    print_result(
        skipped, (f"{short_path(skip.path)}: {skip.reason}" for skip in skipped), as_json=args.json
    )
    return OK
