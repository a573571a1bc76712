"""Commands for faults and coverage."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from catalog.cli.output import (
    INCOMPLETE,
    OK,
    AddCommand,
    change_code,
    finite,
    print_result,
    to_json_value,
)

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
        "--from-backup", action="store_true", help="take damaged words of yours from a backup"
    )
    check.add_argument(
        "--as-it-is", action="store_true", help="accept damaged words of yours as they are now"
    )
    faults = command("faults", "list faults of hits, the most serious first", _faults)
    faults.add_argument("hits", nargs="*", type=int, metavar="HIT", help="only these hits")
    faults.add_argument("--kind", action="append", default=[], help="may be repeated")
    faults.add_argument("--sort", choices=("weight", "kind", "hit"), default="weight")
    faults.add_argument("--least", type=finite, default=0.0, metavar="WEIGHT", help="from 0 to 1")
    faults.add_argument("--dismissed", action="store_true", help="also list dismissed faults")
    dismiss = command("dismiss", "dismiss a fault; it is no longer listed", _dismiss)
    dismiss.add_argument("kind", help="as printed by `faults`: hum, click, second ...")
    dismiss.add_argument("hits", nargs="+", type=int, metavar="HIT")
    dismiss.add_argument("--take-back", action="store_true", help="undo the dismissal")
    command("coverage", "count what was recorded of each drum, and list what is missing", _coverage)


def fault_line(fault: HitFault, name: str) -> str:
    """Return one fault as one line: weight, hit, kind, value, position, name."""
    position = f"at {fault.at_s:.3f} s" if fault.at_s or not fault.length_s else "throughout"
    channel = f", channel {fault.channel + 1}" if fault.channel >= 0 else ""
    value = f"{fault.value:g} {fault.unit}".strip()
    dismissed = "  (dismissed)" if fault.dismissed else ""
    return (
        f"{fault.weight:4.2f}  {fault.hit_id:>6}  {fault.kind:<10} {value:<14} "
        f"{position}{channel}  {name}{dismissed}"
    )


def _faults(cat: Catalog, args: argparse.Namespace) -> int:
    only = [cat.hit(hit_id).id for hit_id in args.hits] or None
    found = cat.review.faults(
        only, kinds=args.kind, least_weight=args.least, dismissed=args.dismissed, sort=args.sort
    )
    names = {hit.id: hit.name for hit in cat.hits(microphones=True)} if found else {}
    lines = [fault_line(fault, names.get(fault.hit_id, "")) for fault in found]
    print_result(found, lines or ["no faults found"], as_json=args.json)
    return OK


def _dismiss(cat: Catalog, args: argparse.Namespace) -> int:
    before = cat.review.faults(args.hits, kinds=[args.kind], dismissed=True)
    cat.review.dismiss_fault(args.hits, args.kind, dismissed=not args.take_back)
    found = cat.review.faults(args.hits, kinds=[args.kind], dismissed=True)
    print_result(found, [fault_line(f, cat.hit(f.hit_id).name) for f in found], as_json=args.json)
    return change_code(found != before)


def _coverage(cat: Catalog, args: argparse.Namespace) -> int:
    coverage = cat.review.coverage()
    value = {
        "cells": [{**to_json_value(cell), "n_hits": cell.n_hits} for cell in coverage.bins],
        "holes": coverage.gaps,
    }
    print_result(value, coverage_lines(coverage), as_json=args.json)
    return OK


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
        lines.append(f"damaged words that a backup has: {len(backups)}; {done}")
    lines.append("the store is whole" if health.is_whole else DAMAGE)
    print_result(health, lines, as_json=args.json)
    return OK if health.is_whole else INCOMPLETE
