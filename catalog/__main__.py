"""The command line: it reads arguments, calls one function of `Catalog`, and prints.

Exit codes: 0 fine, 1 files were skipped or nothing was found, 2 wrong arguments or an error.
Results go to standard output, progress and messages to standard error.
"""

from __future__ import annotations

import argparse
import os
import shlex
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.arguments import make_parser
from catalog.errors import CatalogError
from catalog.printing import Bar, emit, hit_line, plain, say

if TYPE_CHECKING:
    from catalog.facade import Catalog
    from catalog.kit.assemble import Kit
    from catalog.library.records import HistoryEvent, ScanReport
    from catalog.search.neighbors import Match

FINE, NOT_ALL, WRONG = 0, 1, 2
DEMO = Path(__file__).resolve().parent.parent / "demo_library"
STOPPED = 130  # 128 + SIGINT, as shells count
Run = Callable[["Catalog", argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        by default those of the process

    Returns
    -------
    int, the exit code
    """
    args = make_parser().parse_args(arguments)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a name the terminal cannot show
    try:
        return _run(args)
    except CatalogError as err:
        say(f"catalog: {err}")
        return WRONG
    except BrokenPipeError:  # the reader, such as `head`, has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return FINE
    except OSError as err:
        say(f"catalog: {err}")
        return WRONG
    except KeyboardInterrupt:
        say("catalog: stopped; what was done so far is kept")
        return STOPPED


def _run(args: argparse.Namespace) -> int:
    args.json = getattr(args, "json", False)
    store = getattr(args, "store", None)
    if args.verb == "open":
        return _open_page(store, port=args.port, browser=args.browser)
    if args.verb == "demo":
        return _demo(store, port=args.port, browser=args.browser)
    from catalog.facade import Catalog, default_store

    place = Path(store) if store is not None else default_store()
    if args.verb != "scan" and not place.exists():
        raise CatalogError(f"there is no store at {place}; `catalog scan FOLDER` makes one")
    with Catalog.open(place) as cat:
        code = RUNS[args.verb](cat, args)
        sys.stdout.flush()
    return code


def _scan(cat: Catalog, args: argparse.Namespace) -> int:
    with Bar() as bar:
        report = cat.scan(args.folders, n_jobs=args.jobs, on_progress=bar)
    value = {"store": cat.store_path, **plain(report)}
    emit(value, _report_lines(cat, report), as_json=args.json)
    return NOT_ALL if report.skipped else FINE


def _report_lines(cat: Catalog, report: ScanReport) -> list[str]:
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
        if args.role in (None, hit.role) and args.session in (None, hit.session)
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


def _alternates(cat: Catalog, args: argparse.Namespace) -> int:
    return _print_matches(cat, args, cat.alternates(args.hit, args.n))


def _similar(cat: Catalog, args: argparse.Namespace) -> int:
    but = dict(wish.partition("=")[::2] for wish in args.but) if args.but else None
    found = cat.similar(args.hit, args.n, role=args.role, elsewhere=args.elsewhere, but=but)
    if but and len(found) < args.n:
        say(f"no more go that way: {len(found)} of {args.n} asked for")
    return _print_matches(cat, args, found)


def _print_matches(cat: Catalog, args: argparse.Namespace, found: Sequence[Match]) -> int:
    rows = [(match, cat.hit(match.hit_id), cat.reasons(args.hit, match.hit_id)) for match in found]
    value = [{**plain(match), "path": hit.path, "reasons": why} for match, hit, why in rows]
    lines = [f"{m.distance:7.4f}{hit_line(hit)}  {', '.join(why)}" for m, hit, why in rows]
    emit(value, lines, as_json=args.json)
    return FINE if found else NOT_ALL


def _copies(cat: Catalog, args: argparse.Namespace) -> int:
    with Bar() as bar:
        groups = cat.copies(on_progress=bar)
    lines: list[str] = []
    for group in groups:
        lines += [f"keep {hit_line(cat.hit(group.keep))}  ({group.reason})"]
        others = zip(group.others, group.evidence, strict=True)
        lines += [
            f"copy {hit_line(cat.hit(other))}  ({sure:.1%} in common)" for other, sure in others
        ]
    emit(groups, [*lines, f"{len(groups)} groups"], as_json=args.json)
    return FINE


def _map(cat: Catalog, args: argparse.Namespace) -> int:
    with Bar() as bar:
        layout = cat.lay_out(seed=args.seed, on_progress=bar)
    emit(layout, [f"{len(layout.hit_ids)} hits laid out ({layout.kind})"], as_json=args.json)
    return FINE


def _fill(cat: Catalog, args: argparse.Namespace) -> int:
    kit = cat.fill_kit(dict(args.locked), slots=args.slots, seed=args.seed)
    kit = cat.add_layers(kit) if args.layers else kit
    if args.save:
        cat.save_kit(kit, args.save)
    return _print_kit(cat, kit, args)


def _swap(cat: Catalog, args: argparse.Namespace) -> int:
    kit = cat.swap(_kept_kit(cat, args.name), args.slot)
    cat.save_kit(kit, args.name)
    return _print_kit(cat, kit, args)


def _print_kit(cat: Catalog, kit: Kit, args: argparse.Namespace) -> int:
    lines: list[str] = []
    for slot, ids in kit.slots.items():
        lines += [f"{slot:<12}{hit_line(cat.hit(hit_id))}" for hit_id in ids]
        lines += [f"{'':<12}{reason}" for reason in kit.why.get(slot, ())]
    emit(kit, lines, as_json=args.json)
    return FINE


def _kept_kit(cat: Catalog, name: str) -> Kit:
    kits = {kit.name: kit for kit in cat.kits()}
    if name not in kits:
        raise CatalogError(f"no kit is named {name!r}; kept are: {', '.join(kits) or 'none'}")
    return kits[name]


def _kits(cat: Catalog, args: argparse.Namespace) -> int:
    kits = cat.kits()
    emit(kits, (f"{kit.name}: {', '.join(kit.slots)}" for kit in kits), as_json=args.json)
    return FINE


def _export(cat: Catalog, args: argparse.Namespace) -> int:
    kit = _kept_kit(cat, args.name)
    written = cat.export_kit(kit, args.folder, subtype=args.subtype)
    emit(written, written, as_json=args.json)
    return FINE


RUNS: Mapping[str, Run] = {
    "scan": _scan, "hits": _hits, "show": _show, "role": _role, "set-aside": _set_aside,
    "restore": _restore, "history": _history, "skipped": _skipped, "alternates": _alternates,
    "similar": _similar, "copies": _copies, "map": _map, "fill": _fill, "swap": _swap,
    "kits": _kits, "export": _export,
}  # fmt: skip


def _open_page(store: str | Path | None, *, port: int, browser: bool) -> int:
    if not 0 <= port < 1 << 16:
        raise CatalogError(f"--port {port} must be between 0 (a free one) and 65535")
    from catalog.page.serve import open_page

    try:
        open_page(store, port=port, browser=browser)
    except OSError as err:
        raise CatalogError(f"port {port} cannot be used ({err.strerror}); give another") from err
    return FINE


def _demo(store: str | Path | None, *, port: int, browser: bool) -> int:
    from catalog.facade import Catalog, default_store

    folder = default_store().parent / "demo"
    library = copy_demo(folder / "library")
    place = store or folder / "demo.sqlite"
    with Catalog.open(place) as cat, Bar() as bar:
        report = cat.scan([library], on_progress=bar)
        for line in _report_lines(cat, report):
            say(line)
        cat.copies(on_progress=bar)
        if cat.layout().kind != "umap":
            cat.lay_out(on_progress=bar)
    say(f"other commands see the demo with: --store {shlex.quote(str(place))}")
    return _open_page(place, port=port, browser=browser)


def copy_demo(target: Path) -> Path:
    """Copy the audio of the demo library, so that trying things out never touches the checkout.

    Parameters
    ----------
    target : Path
        left as it is if it is there already

    Returns
    -------
    Path, `target`

    Raises
    ------
    CatalogError
        if the demo library is not beside the package
    """
    from catalog.sound.decode import AUDIO_SUFFIXES

    if target.is_dir():
        return target
    files = [p for p in sorted(DEMO.rglob("*")) if p.suffix.lower() in AUDIO_SUFFIXES]
    if not files:
        raise CatalogError(f"{DEMO}: holds no demo library; run this from a checkout")
    growing = target.with_name(f"{target.name}.{os.getpid()}.part")
    for file in files:
        place = growing / file.relative_to(DEMO)
        place.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(file, place)
    with suppress(OSError):  # another demo, started at the same time, was first
        growing.rename(target)
    return target


if __name__ == "__main__":
    sys.exit(main())
