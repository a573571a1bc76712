"""Commands that compare hits: alternates, similar hits, copies, relations, the map."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from catalog.cli.learning import PLAIN_HELP, note_taste
from catalog.cli.output import (
    NO_GOOD_HELP,
    OK,
    SLOW_MAP,
    AddCommand,
    ProgressBar,
    at_least_one,
    cluster_address,
    folder,
    hit_number,
    print_message,
    print_result,
    read_wishes,
)
from catalog.cli.selection import (
    ANY,
    add_query_options,
    add_rows_wanted,
    add_selection,
    has_options,
    query_filter,
    rows_wanted,
    select_hits,
)
from catalog.cli.summary import hits_of, place_lines
from catalog.cli.table import hit_lines
from catalog.models import Certainty
from catalog.wording import percent

if TYPE_CHECKING:
    from catalog.catalog import Catalog
    from catalog.duplicates.groups import CopyGroup, Proof
    from catalog.duplicates.pairs.relations import Relation
    from catalog.search.matches import Match


def add_commands(command: AddCommand) -> None:
    """Add the commands of this module."""
    alternates = command("alternates", "list other strokes of the same drum", _alternates)
    alternates.add_argument("hit", type=hit_number)
    similar = command("similar", "list hits that sound alike, nearest first", _similar)
    similar.add_argument("hit", type=_hit_or_file, help="a hit's number, or an audio file")
    similar.add_argument(
        "--but",
        action="append",
        metavar="CONSTRAINT",
        help="darker, shorter, tighter, ... or centroid_hz=+20%%; may be repeated",
    )
    similar.add_argument(
        "--elsewhere", nargs="?", const="session", default=False, choices=("session", "kit"),
        help="only other sessions, or no hits of kits that use this one",
    )  # fmt: skip
    similar.add_argument("--plain", action="store_true", help=PLAIN_HELP)
    for parser in (alternates, similar):
        parser.add_argument("-n", type=at_least_one, default=10, help="how many (default: 10)")
        add_query_options(parser)
        parser.add_argument("--no-good", action="store_true", help=NO_GOOD_HELP)
    copies = command("copies", "list groups of hits that are the same recording", _copies)
    copies.add_argument(
        "--prefer", nargs="*", type=folder, metavar="FOLDER",
        help="from now on keep files of these folders among equal copies; none: no longer",
    )  # fmt: skip
    copies.add_argument(
        "--cluster", type=cluster_address, metavar="ADDRESS",
        help="compare hits on the workers of a running dask cluster",
    )  # fmt: skip
    add_rows_wanted(copies)
    command("map", f"compute a new map; {SLOW_MAP}", _map).add_argument(
        "--seed", type=int, default=0
    )
    _add_relation_commands(command)


def _hit_or_file(text: str) -> int | Path:
    return int(text) if text.isdecimal() else Path(text)


def _alternates(cat: Catalog, args: argparse.Namespace) -> int:
    from catalog.search.matches import count_sure

    allowed = query_filter(cat, args)
    n = args.n if allowed is None else None
    found = _first(cat.alternates(args.hit, n, no_good=args.no_good), args.n, allowed)
    return _print_matches(cat, args, found, n_sure=count_sure(found))


def _first(found: Sequence[Match], n: int, allowed: set[int] | None) -> list[Match]:
    """Return the first `n` matches that the options of a query allow."""
    return [match for match in found if allowed is None or match.hit_id in allowed][:n]


def _similar(cat: Catalog, args: argparse.Namespace) -> int:
    but = read_wishes(args.but) if args.but else None
    allowed = query_filter(cat, args)
    n = args.n if allowed is None else None
    matches = cat.similar(
        args.hit,
        n,
        elsewhere=args.elsewhere,
        but=but,
        no_good=args.no_good,
        plain=args.plain,
    )
    note_taste(cat, args)
    found = _first(matches, args.n, allowed)
    if but and len(found) < args.n:
        print_message(f"only {len(found)} of {args.n} found: no other hit meets the constraints")
    return _print_matches(cat, args, found)


def _print_matches(
    cat: Catalog, args: argparse.Namespace, found: Sequence[Match], *, n_sure: int | None = None
) -> int:
    value = [
        {
            "hit_id": m.hit_id, "distance": m.distance, "path": m.hit.path, "reasons": m.reasons,
            "n_copies": m.n_copies, "same_drum": m.same_drum,
        }
        for m in found
    ]  # fmt: skip
    lines = hit_lines(
        cat,
        [match.hit for match in found],
        columns=("id", "name", "role", "session"),
        first=("distance", [f"{match.distance:.4f}" for match in found]),
        last=("difference", [_difference_text(match) for match in found]),
    )
    if n_sure is not None and found:
        n_head = len(lines) - len(found)
        at = n_head + n_sure
        lines[at:at] = ["hits that may be of other drums:"] * (n_sure < len(found))
        lines[n_head:n_head] = ["other strokes of this drum:"] * (n_sure > 0)
    print_result(value, lines, as_json=args.json)
    if not found:
        print_message("no hit matches")
    return OK


def _difference_text(match: Match) -> str:
    """Return the differences without the session, which has a column of its own."""
    session = f"from {match.hit.session}"
    reasons = (reason for reason in match.reasons if reason != session)
    return ", ".join((*_copies_text(match), *reasons))


def _copies_text(match: Match) -> list[str]:
    n = match.n_copies
    return [f"+{n} cop{'y' if n == 1 else 'ies'}"] if n else []


def _copies(cat: Catalog, args: argparse.Namespace) -> int:
    if args.prefer is not None:
        cat.duplicates.prefer_folders(args.prefer)
    with ProgressBar() as bar:
        groups = cat.copies(on_progress=bar, cluster=args.cluster or "")
    if (allowed := rows_wanted(cat, args)) is None:
        lines = _copy_counts(cat, groups)
    else:
        groups = [group for group in groups if allowed >= {ANY} or allowed & {*group.members}]
        lines = _copy_rows(cat, groups)
    n_likely = sum(group.certainty == Certainty.LIKELY for group in groups)
    likely = f", {n_likely} of them likely, the others certain" if n_likely else ""
    print_result(groups, [*lines, f"{len(groups)} groups{likely}"], as_json=args.json)
    return OK


def _copy_counts(cat: Catalog, groups: Sequence[CopyGroup]) -> list[str]:
    copies = hits_of(cat, (hit_id for group in groups for hit_id in group.others))
    if not copies:
        return []
    hint = "`catalog copies --all` lists all, `catalog copies session:NAME` some"
    return [*place_lines(cat, copies, unit="copies"), "", hint]


def _copy_rows(cat: Catalog, groups: Sequence[CopyGroup]) -> list[str]:
    words, ids, evidence = [], [], []
    for group in groups:
        words += ["keep", *["copy"] * len(group.others)]
        ids += [group.keep, *group.others]
        evidence += [group.reason, *map(_proof_text, group.proofs)]
    hits = hits_of(cat, ids)
    columns = ("id", "name", "role", "session")
    return hit_lines(cat, hits, columns=columns, first=("what", words), last=("evidence", evidence))


def _proof_text(proof: Proof) -> str:
    certainty = Certainty.CERTAIN if proof.is_certain else Certainty.LIKELY
    return f"{certainty}, {percent(proof.share, 1)} in common"


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
        "--main", type=hit_number, metavar="HIT", help="let this microphone stand for its stroke"
    )
    mixes = command("mixes", "list finished hits that are a mix of a stroke's microphones", _mixes)
    add_selection(mixes)
    related = command("related", "list hits that are related to one, with the evidence", _related)
    related.add_argument("hit", type=hit_number)
    related.add_argument("-n", type=int, default=5, help="number of hits that only sound alike")
    align = command(
        "align", "estimate offset, gain, polarity and filter from one hit to another", _align
    )
    align.add_argument("first", type=hit_number, metavar="HIT")
    align.add_argument("second", type=hit_number, metavar="HIT")


def _strokes(cat: Catalog, args: argparse.Namespace) -> int:
    if args.main is not None:
        cat.duplicates.choose_microphone(args.main)
    ties = cat.duplicates.microphone_ties()
    ids = [hit_id for tie in ties for hit_id in tie.hits]
    numbers = [str(n) for n, tie in enumerate(ties, 1) for _ in tie.hits]
    notes = [
        "; but ".join((t.evidence, *t.against)) * (not k) for t in ties for k in range(len(t.hits))
    ]
    lines = hit_lines(
        cat,
        hits_of(cat, ids),
        columns=("id", "name", "session", "microphone"),
        first=("stroke", numbers),
        last=("evidence", notes),
    )
    n_contradicted = sum(bool(tie.against) for tie in ties)
    lines.append(f"{len(ties)} strokes, {n_contradicted} with contradicting evidence")
    print_result(ties, lines, as_json=args.json)
    return OK


def _mixes(cat: Catalog, args: argparse.Namespace) -> int:
    only = select_hits(cat, args) if args.hits or has_options(args) else None
    found = cat.duplicates.mixes(only)
    levels = [
        ", ".join(f"{name} {level:.1f} dB" for name, level in mix.levels_db.items())
        for mix in found
    ]
    lines = hit_lines(
        cat,
        hits_of(cat, [mix.hit_id for mix in found]),
        columns=("id", "name", "session"),
        first=("mix of", [str(mix.stroke_id) for mix in found]),
        last=("levels", levels),
    )
    lines.append(f"{len(found)} mixes")
    print_result(found, lines, as_json=args.json)
    return OK


def _related(cat: Catalog, args: argparse.Namespace) -> int:
    with ProgressBar() as bar:
        found = cat.duplicates.related(args.hit, n_alike=args.n, on_progress=bar)
    lines = hit_lines(
        cat,
        [cat.hit(relation.hit_id) for relation in found],
        columns=("id", "name", "role", "session"),
        first=("relation", [_kind(relation) for relation in found]),
        last=("evidence", ["; but ".join((r.evidence, *r.against)) for r in found]),
    )
    print_result(found, lines, as_json=args.json)
    if not found:
        print_message("no hit is related to it")
    return OK


def _kind(relation: Relation) -> str:
    is_open = not relation.certain and relation.kind != "alike"
    return f"{relation.kind}?" if is_open else relation.kind


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
