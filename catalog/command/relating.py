"""The verbs for what belongs together: microphones of one stroke, what other hits are to one."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import TYPE_CHECKING

from catalog.command.printing import FINE, NOT_ALL, AddVerb, Run, emit, hit_line

if TYPE_CHECKING:
    from catalog.facade import Catalog


def add_verbs(verb: AddVerb) -> None:
    """Add the verbs for what belongs together."""
    verb("strokes", "list hits that are one stroke through several microphones")
    related = verb("related", "list what other hits are to one, and why")
    related.add_argument("hit", type=int)
    related.add_argument("-n", type=int, default=5, help="how many that only sound alike")
    align = verb("align", "tell how the recording of one hit becomes that of another")
    align.add_argument("first", type=int, metavar="HIT")
    align.add_argument("second", type=int, metavar="HIT")


def _strokes(cat: Catalog, args: argparse.Namespace) -> int:
    ties = cat.strokes()
    lines: list[str] = []
    for tie in ties:
        lines.append(f"one stroke ({tie.evidence})")
        lines += [f"  {hit_line(cat.hit(hit_id))}" for hit_id in tie.hits]
        lines += [f"  but {text}" for text in tie.against]
    doubted = sum(bool(tie.against) for tie in ties)
    lines.append(f"{len(ties)} strokes, {doubted} with something against it")
    emit(ties, lines, as_json=args.json)
    return FINE


def _related(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.relations(args.hit, n_alike=args.n)
    lines = []
    for one in found:
        kind = one.kind if one.certain or one.kind == "alike" else f"{one.kind}?"
        why = "; but ".join((one.evidence, *one.against))
        lines.append(f"{kind:12}{hit_line(cat.hit(one.hit_id))}  ({why})")
    emit(found, lines, as_json=args.json)
    return FINE if found else NOT_ALL


def _align(cat: Catalog, args: argparse.Namespace) -> int:
    found = cat.align(args.first, args.second)
    turned = ", turned over" if found.polarity < 0 else ""
    lines = [
        f"hit {args.second} begins {1000 * found.offset_s:+.2f} ms later in its file than hit"
        f" {args.first}, {found.gain_db:+.1f} dB{turned};"
        f" a short filter leaves {found.residue_db:.1f} dB of it"
    ]
    emit(found, lines, as_json=args.json)
    return FINE


RUNS: Mapping[str, Run] = {"strokes": _strokes, "related": _related, "align": _align}
