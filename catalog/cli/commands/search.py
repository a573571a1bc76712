"""Commands that compare hits: alternates, similar hits, copies, relations, the map."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    NO_GOOD_HELP,
    OK,
    SLOW_MAP,
    AddCommand,
    ProgressBar,
    folder,
    hit_line,
    print_message,
    print_result,
)

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.search.matches import Match


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    alternates = command("alternates", "list other strokes of the same drum", _alternates)
    alternates.add_argument("hit", type=int)
    similar = command("similar", "list hits that sound alike, nearest first", _similar)
    similar.add_argument("hit", type=_hit_or_file, help="a hit's number, or an audio file")
    similar.add_argument(
        "--but",
        action="append",
        metavar="CONSTRAINT",
        help="darker, shorter, tighter, ... or centroid_hz=+20%%; may be repeated",
    )
    similar.add_argument("--role", help="only hits of this role")
    similar.add_argument("--elsewhere", action="store_true", help="only other sessions")
    for parser in (alternates, similar):
        parser.add_argument("-n", type=int, default=10, help="how many (default: 10)")
        parser.add_argument("--no-good", action="store_true", help=NO_GOOD_HELP)
    copies = command("copies", "list groups of hits that are the same recording", _copies)
    copies.add_argument(
        "--prefer", nargs="*", type=folder, metavar="FOLDER",
        help="from now on keep files of these folders among equal copies; none: no longer",
    )  # fmt: skip
    command("map", f"compute a new map; {SLOW_MAP}", _map).add_argument(
        "--seed", type=int, default=0
    )
    _add_relation_commands(command)


def _hit_or_file(text: str) -> int | Path:
    return int(text) if text.isdecimal() else Path(text)


def _alternates(cat: Catalog, args: argparse.Namespace) -> int:
    return _print_matches(args, cat.alternates(args.hit, args.n, no_good=args.no_good))


def _similar(cat: Catalog, args: argparse.Namespace) -> int:
    but = dict(text.partition("=")[::2] for text in args.but) if args.but else None
    found = cat.similar(
        args.hit, args.n, role=args.role, elsewhere=args.elsewhere, but=but, no_good=args.no_good
    )
    if but and len(found) < args.n:
        print_message(f"only {len(found)} of {args.n} found: no other hit meets the constraints")
    return _print_matches(args, found)


def _print_matches(args: argparse.Namespace, found: Sequence[Match]) -> int:
    value = [
        {"hit_id": m.hit_id, "distance": m.distance, "path": m.hit.path, "reasons": m.reasons}
        for m in found
    ]
    lines = [f"{m.distance:7.4f}{hit_line(m.hit)}  {', '.join(m.reasons)}" for m in found]
    print_result(value, lines, as_json=args.json)
    return OK if found else INCOMPLETE


def _copies(cat: Catalog, args: argparse.Namespace) -> int:
    if args.prefer is not None:
        cat.duplicates.prefer_folders(args.prefer)
    with ProgressBar() as bar:
        groups = cat.copies(on_progress=bar)
    lines: list[str] = []
    for group in groups:
        lines += [f"keep {hit_line(cat.hit(group.keep))}  ({group.reason})"]
        others = zip(group.others, group.evidence, strict=True)
        lines += [
            f"copy {hit_line(cat.hit(other))}  ({share:.1%} in common)" for other, share in others
        ]
    print_result(groups, [*lines, f"{len(groups)} groups"], as_json=args.json)
    return OK


def _map(cat: Catalog, args: argparse.Namespace) -> int:
    with ProgressBar() as bar:
        layout = cat.map.compute(seed=args.seed, on_progress=bar)
    print_result(
        layout, [f"{len(layout.hit_ids)} hits laid out ({layout.kind})"], as_json=args.json
    )
    return OK


def _add_relation_commands(command: AddCommand) -> None:
    strokes = command(
        "strokes", "list hits that are one stroke through several microphones", _strokes
    )
    strokes.add_argument(
        "--main", type=int, metavar="HIT", help="let this microphone stand for its stroke"
    )
    mixes = command("mixes", "list finished hits that are a mix of a stroke's microphones", _mixes)
    mixes.add_argument("hits", nargs="*", type=int, metavar="HIT", help="only look at these")
    related = command("related", "list hits that are related to one, with the evidence", _related)
    related.add_argument("hit", type=int)
    related.add_argument("-n", type=int, default=5, help="number of hits that only sound alike")
    align = command(
        "align", "estimate offset, gain, polarity and filter from one hit to another", _align
    )
    align.add_argument("first", type=int, metavar="HIT")
    align.add_argument("second", type=int, metavar="HIT")


def _strokes(cat: Catalog, args: argparse.Namespace) -> int:
    if args.main is not None:
        cat.duplicates.choose_microphone(args.main)
    ties = cat.duplicates.microphone_ties()
    lines: list[str] = []
    for tie in ties:
        lines.append(f"one stroke ({tie.evidence})")
        lines += [f"  {hit_line(cat.hit(hit_id))}" for hit_id in tie.hits]
        lines += [f"  but {text}" for text in tie.against]
    n_contradicted = sum(bool(tie.against) for tie in ties)
    lines.append(f"{len(ties)} strokes, {n_contradicted} with contradicting evidence")
    print_result(ties, lines, as_json=args.json)
    return OK


def _mixes(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.duplicates.mixes(args.hits or None)
    lines = []
    for mix in found:
        levels = ", ".join(f"{name} {level:.1f} dB" for name, level in mix.levels_db.items())
        lines += [hit_line(cat.hit(mix.hit_id)), f"  is hit {mix.stroke_id} with {levels}"]
    lines.append(f"{len(found)} mixes")
    print_result(found, lines, as_json=args.json)
    return OK


def _related(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.duplicates.relations(args.hit, n_alike=args.n)
    lines = []
    for relation in found:
        is_open = not relation.certain and relation.kind != "alike"
        kind = f"{relation.kind}?" if is_open else relation.kind
        evidence = "; but ".join((relation.evidence, *relation.against))
        lines.append(f"{kind:12}{hit_line(cat.hit(relation.hit_id))}  ({evidence})")
    print_result(found, lines, as_json=args.json)
    return OK if found else INCOMPLETE


def _align(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.duplicates.align(args.first, args.second)
    polarity = ", opposite polarity" if found.polarity < 0 else ""
    lines = [
        f"hit {args.second} against hit {args.first}: starts {1000 * found.offset_s:+.2f} ms later"
        f" in its file, {found.gain_db:+.1f} dB{polarity}, residue after a short filter"
        f" {found.residue_db:.1f} dB"
    ]
    print_result(found, lines, as_json=args.json)
    return OK
