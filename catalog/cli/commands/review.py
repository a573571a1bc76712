"""Commands for faults and coverage."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    AddCommand,
    finite,
    note_no_change,
    print_result,
    to_json_value,
)
from catalog.cli.selection import (
    ANY,
    add_rows_wanted,
    add_selection,
    confirm,
    names_numbers,
    rows_wanted,
    select_hits,
)
from catalog.cli.summary import count_lines, hits_of, place_lines
from catalog.cli.table import table_lines

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.library.review.coverage import Coverage
    from catalog.library.review.faults import HitFault

DAMAGE = (
    "the disk or the memory of this computer may be failing: copy the store, scan your folders "
    "again, and compare what is damaged with your own backup"
)


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    check = command("check", "check the whole store for damage", _check)
    check.add_argument(
        "--from-backup", action="store_true", help="restore damaged annotations from a backup"
    )
    check.add_argument(
        "--as-it-is", action="store_true", help="accept damaged annotations as they are now"
    )
    faults = command("faults", "list faults of hits, the most serious first", _faults)
    faults.add_argument("--kind", action="append", default=[], help="may be repeated")
    faults.add_argument("--sort", choices=("weight", "kind", "hit"), default="weight")
    faults.add_argument("--least", type=finite, default=0.0, metavar="WEIGHT", help="from 0 to 1")
    faults.add_argument("--dismissed", action="store_true", help="also list dismissed faults")
    add_rows_wanted(faults)
    dismiss = command("dismiss", "dismiss a fault; it is no longer listed", _dismiss)
    dismiss.add_argument("kind", help="as printed by `faults`: hum, click, second ...")
    dismiss.add_argument("--take-back", action="store_true", help="undo the dismissal")
    add_selection(dismiss, acts=True)
    add_rows_wanted(
        command(
            "coverage", "count what was recorded of each drum, and list what is missing", _coverage
        )
    )


def fault_lines(cat: Catalog, faults: Sequence[HitFault]) -> list[str]:
    """Return faults as a table: weight, hit, kind, value, position."""
    if not faults:
        return []
    hits = {hit.id: hit for hit in hits_of(cat, (fault.hit_id for fault in faults))}
    rows = [[*_fault_row(f), hits[f.hit_id].name if f.hit_id in hits else ""] for f in faults]
    header = ("weight", "id", "kind", "value", "where", "name")
    return table_lines(header, rows)


def _fault_row(fault: HitFault) -> list[str]:
    position = f"at {fault.at_s:.3f} s" if fault.at_s or not fault.length_s else "throughout"
    channel = f", channel {fault.channel + 1}" if fault.channel >= 0 else ""
    value = f"{fault.value:g} {fault.unit}".strip()
    value += f", {fault.hz:.0f} Hz" if fault.hz else ""
    dismissed = " (dismissed)" if fault.dismissed else ""
    weight = f"{fault.weight:.2f}"
    return [weight, str(fault.hit_id), fault.kind, value, f"{position}{channel}{dismissed}"]


def _faults(cat: Catalog, args: argparse.Namespace) -> int:
    wanted = rows_wanted(cat, args)
    only = None if wanted is None or wanted >= {ANY} else sorted(wanted)
    for hit_id in only if only and names_numbers(args) else ():
        cat.hit(hit_id)  # raises if the id is unknown
    found = cat.review.faults(
        only, kinds=args.kind, least_weight=args.least, dismissed=args.dismissed, sort=args.sort
    )
    is_counted = wanted is None and not args.kind
    lines = fault_count_lines(cat, found) if is_counted else fault_lines(cat, found)
    print_result(found, lines or ["no faults found"], as_json=args.json)
    return OK


def fault_count_lines(cat: Catalog, faults: Sequence[HitFault]) -> list[str]:
    """Return the number of faults by kind, with what each kind means, by session and by drum."""
    from catalog.features.faults import FAULT_KINDS

    if not faults:
        return []
    kinds = Counter(fault.kind for fault in faults)
    rows = [
        [str(n), kind, f"{FAULT_KINDS[kind].label}: {FAULT_KINDS[kind].meaning}"]
        for kind, n in kinds.most_common()
    ]
    hint = "`catalog faults --all` lists all, `catalog faults --kind hum` one kind"
    hits = hits_of(cat, (fault.hit_id for fault in faults))
    return [
        *table_lines(("faults", "kind", "what it is"), rows, right=frozenset({"faults"})),
        "",
        *place_lines(cat, hits, unit="faults"),
        "",
        hint,
    ]


def _dismiss(cat: Catalog, args: argparse.Namespace) -> int:
    ids = select_hits(cat, args)
    before = cat.review.faults(ids, kinds=[args.kind], dismissed=True)
    if not confirm(cat, args, ids, what=f"dismiss the fault {args.kind}"):
        return INCOMPLETE if ids else OK
    cat.review.dismiss_fault(ids, args.kind, dismissed=not args.take_back)
    found = cat.review.faults(ids, kinds=[args.kind], dismissed=True)
    print_result(found, fault_lines(cat, found), as_json=args.json)
    return note_no_change(found != before)


def _coverage(cat: Catalog, args: argparse.Namespace) -> int:
    coverage, wanted = cat.review.coverage(), rows_wanted(cat, args)
    if wanted is not None and not wanted >= {ANY}:
        coverage = coverage.of_hits(wanted)
    value = {
        "cells": [{**to_json_value(cell), "n_hits": cell.n_hits} for cell in coverage.bins],
        "holes": coverage.gaps,
    }
    lines = coverage_lines(coverage) if wanted is not None else coverage_count_lines(cat, coverage)
    if not cat.duplicates.were_searched:
        lines.append("copies count as strokes of their own until `catalog copies` has found them")
    print_result(value, lines, as_json=args.json)
    return OK


def coverage_count_lines(cat: Catalog, coverage: Coverage) -> list[str]:
    """Return counts by role, with the number of drums and of gaps, and the gaps by session."""
    strokes, drums, gaps = Counter[str](), Counter[str](), Counter[str]()
    for role, of_role in groupby(coverage.bins, key=lambda cell: cell.role):
        cells = list(of_role)
        strokes[role] += sum(cell.n_hits for cell in cells)
        drums[role] += len({(cell.session, cell.drum) for cell in cells})
    gaps.update(gap.role for gap in coverage.gaps)
    roles = [*strokes, *(role for role in gaps if role not in strokes)]
    rows = [[role, str(drums[role]), str(strokes[role]), str(gaps[role])] for role in roles]
    header = ("role", "drums", "strokes", "missing")
    short = cat.search.session_names()
    sessions = Counter(short.get(gap.session, gap.session) for gap in coverage.gaps)
    hint = "`catalog coverage --all` lists all, `catalog coverage role:tom` the toms"
    return [
        *table_lines(header, rows, right=frozenset(header[1:])),
        "",
        *count_lines("what is missing", Counter(gap.kind for gap in coverage.gaps), unit="missing"),
        "",
        *count_lines("session", sessions, unit="missing"),
        "",
        hint,
    ]


def coverage_lines(coverage: Coverage) -> list[str]:
    """Return a printable list: counts by drum, then the gaps with checkboxes."""
    lines: list[str] = []
    last = ("", "", "")
    for cell in coverage.bins:
        drum = (cell.role, cell.session, cell.drum)
        if drum != last:
            lines += [*([""] if lines else []), f"{cell.drum}  ({cell.role}, {cell.session})"]
            last = drum
        kind = cell.stroke or "-"
        lines.append(f"  {kind:<8} {cell.strength:<7} {cell.n_hits:>4}  {cell.microphone or '-'}")
    lines += ["", "To record:" if coverage.gaps else "Nothing is missing."]
    lines += [f"[ ] {gap.words}" for gap in coverage.gaps]
    return lines


def _check(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.library.integrity.health import describe

    health = cat.review.check_store(from_backup=args.from_backup, as_it_is=args.as_it_is)
    backups = cat.review.rows_in_backups(health)
    lines = [f"structure: {text}" for text in health.structure]
    lines += [
        f"{describe(row)}; {backups[row]} has it" if row in backups else describe(row)
        for row in health.rows
    ]
    if backups:
        done = "restored" if args.from_backup else "restore it with `catalog check --from-backup`"
        lines.append(f"damaged annotations that a backup has: {len(backups)}; {done}")
    lines.append("the store is whole" if health.is_whole else DAMAGE)
    print_result(health, lines, as_json=args.json)
    return OK if health.is_whole else INCOMPLETE
