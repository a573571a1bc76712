"""The verbs for what there is: scanning, listing, saying, setting aside."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.command.printing import FINE, NOT_ALL, AddVerb, Bar, Run, emit, hit_line, plain
from catalog.errors import CatalogError

if TYPE_CHECKING:
    from catalog.facade import Catalog
    from catalog.library.records import HistoryEvent, ScanReport


def add_verbs(verb: AddVerb) -> None:
    """Add the verbs for what there is."""
    scan = verb("scan", "measure new and changed files below folders")
    scan.add_argument("folders", nargs="+", type=Path, metavar="FOLDER")
    scan.add_argument("--jobs", type=int, default=-1, help="worker processes (default: all cores)")
    hits = verb("hits", "list hits")
    hits.add_argument("--role", help="only those of one role")
    hits.add_argument("--session", help="only those of one session")
    hits.add_argument("--mark", choices=("keep", "reject", "star"), help="only those marked so")
    hits.add_argument("--tag", metavar="WORD", help="only those with this tag")
    hits.add_argument("--state", choices=("here", "missing", "aside"), default="here")
    verb("show", "tell everything about one hit").add_argument("hit", type=int)
    role = verb("role", "say what part of the kit a hit plays")
    role.add_argument("hit", type=int)
    role.add_argument("role", help="kick, snare, hat_closed, tom ...")
    mark = verb("mark", "say what you think of hits")
    mark.add_argument("mark", choices=("keep", "reject", "star", "none"))
    mark.add_argument("hits", nargs="+", type=int, metavar="HIT")
    tag = verb("tag", "give hits words to find them by, or take words away")
    tag.add_argument("hits", nargs="+", type=int, metavar="HIT")
    tag.add_argument("--add", action="append", default=[], metavar="WORD", help="may be repeated")
    tag.add_argument("--drop", action="append", default=[], metavar="WORD", help="the same")
    tag.add_argument("--remark", metavar="TEXT", help='free text; "" takes it away')
    aside = verb("set-aside", "move files of hits out of the way; `restore` undoes it")
    aside.add_argument("hits", nargs="*", type=int, metavar="HIT")
    aside.add_argument("--copies", action="store_true", help="all copies that `copies` lists")
    aside.add_argument("--reason", default="", help="kept in the history")
    aside.add_argument("--yes", action="store_true", help="do it; without this it is only shown")
    restore = verb("restore", "move files set aside back to where they were")
    restore.add_argument("hits", nargs="+", type=int, metavar="HIT")
    verb("history", "list what was done to hits, newest last")
    verb("skipped", "list files that could not be used, with the reason")


def _scan(cat: Catalog, args: argparse.Namespace) -> int:
    with Bar() as bar:
        report = cat.scan(args.folders, n_jobs=args.jobs, on_progress=bar)
    value = {"store": cat.store_path, **plain(report)}
    emit(value, report_lines(cat, report), as_json=args.json)
    return NOT_ALL if report.skipped else FINE


def report_lines(cat: Catalog, report: ScanReport) -> list[str]:
    """Say what a scan did: the files that were skipped, the store, the counts."""
    counts = ("added", "changed", "unchanged", "moved", "missing", "skipped")
    return [
        *(f"skipped: {skip.path}: {skip.reason}" for skip in report.skipped),
        f"store: {cat.store_path}",
        ", ".join(f"{len(getattr(report, name))} {name}" for name in counts),
    ]


def _hits(cat: Catalog, args: argparse.Namespace) -> int:
    found = [
        hit
        for hit in cat.hits(states=(args.state,))
        if args.role in (None, hit.role)
        and args.session in (None, hit.session)
        and args.mark in (None, hit.mark)
        and (args.tag is None or args.tag in hit.tags)
    ]
    emit(found, map(hit_line, found), as_json=args.json)
    return FINE if found else NOT_ALL


def _show(cat: Catalog, args: argparse.Namespace) -> int:
    hit = cat.hit(args.hit)
    facts = plain(hit)
    numbers = facts.pop("descriptors")
    lines = [f"{name}: {'-' if value == '' else value}" for name, value in facts.items()]
    lines += [f"{name}: {'-' if v is None else f'{v:.4g}'}" for name, v in numbers.items()]
    emit(hit, lines, as_json=args.json)
    return FINE


def _role(cat: Catalog, args: argparse.Namespace) -> int:
    cat.set_role(args.hit, args.role)
    hit = cat.hit(args.hit)
    emit(hit, [hit_line(hit)], as_json=args.json)
    return FINE


def _mark(cat: Catalog, args: argparse.Namespace) -> int:
    cat.mark(_known(cat, args.hits), "" if args.mark == "none" else args.mark)
    return _print_marked(cat, args)


def _tag(cat: Catalog, args: argparse.Namespace) -> int:
    cat.say(args.hits, add=args.add, drop=args.drop, remark=args.remark)
    return _print_marked(cat, args)


def _known(cat: Catalog, hit_ids: Sequence[int]) -> list[int]:
    """Give the ids back; an unknown one raises before anything is changed."""
    return [cat.hit(hit_id).id for hit_id in hit_ids]


def _print_marked(cat: Catalog, args: argparse.Namespace) -> int:
    hits = [cat.hit(hit_id) for hit_id in args.hits]
    lines = [
        f"{hit_line(hit)}  {hit.mark or '-'}  {', '.join(hit.tags)}  {hit.remark}" for hit in hits
    ]
    emit(hits, lines, as_json=args.json)
    return FINE


def _set_aside(cat: Catalog, args: argparse.Namespace) -> int:
    groups = cat.copies() if args.copies or not args.yes else []
    ids = list(args.hits) + [i for group in groups if args.copies for i in group.others]
    if not ids:
        raise CatalogError("nothing to set aside: name hits, or say --copies")
    if args.yes:
        return _print_events(cat.set_aside(ids, reason=args.reason or "copy" * args.copies), args)
    hits = [cat.hit(hit_id) for hit_id in ids]
    lines = [f"would set aside: {hit.path}" for hit in hits if hit.state == "here"]
    lines += [f"cannot be set aside, is {h.state}: {h.path}" for h in hits if h.state != "here"]
    lines += [
        f"careful: hit {group.keep} and all its copies would go"
        for group in groups
        if {group.keep, *group.others} <= set(ids)
    ]
    lines.append(f"they would go to {cat.store_path}.aside")
    lines.append("nothing was moved; add --yes to do it")
    emit({"dry_run": True, "hits": hits}, lines, as_json=args.json)
    return FINE


def _restore(cat: Catalog, args: argparse.Namespace) -> int:
    return _print_events(cat.restore(args.hits), args)


def _print_events(events: Sequence[HistoryEvent], args: argparse.Namespace) -> int:
    lines = [
        f"{event.time_utc}  {event.action}  hit {event.hit_id}: {event.source}"
        + (f" -> {event.target}" if event.target != event.source else "")
        + (f"  ({event.reason})" if event.reason else "")
        for event in events
    ]
    emit(events, lines, as_json=args.json)
    return FINE


def _history(cat: Catalog, args: argparse.Namespace) -> int:
    return _print_events(cat.history(), args)


def _skipped(cat: Catalog, args: argparse.Namespace) -> int:
    skipped = cat.skipped()
    emit(skipped, (f"{skip.path}: {skip.reason}" for skip in skipped), as_json=args.json)
    return FINE


RUNS: Mapping[str, Run] = {
    "scan": _scan,
    "hits": _hits,
    "show": _show,
    "role": _role,
    "mark": _mark,
    "tag": _tag,
    "set-aside": _set_aside,
    "restore": _restore,
    "history": _history,
    "skipped": _skipped,
}
