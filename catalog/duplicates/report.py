"""A plain-text report of all groups of copies and of the outcome for each file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from catalog.duplicates.groups import CopyGroup
from catalog.models import Hit
from catalog.wording import percent

KEPT, UNDECIDED = "stays", "stays, undecided"


def format_report(
    groups: Sequence[CopyGroup],
    hits: Mapping[int, Hit],
    *,
    outcomes: Mapping[int, str],
    heading: str,
) -> str:
    """Format one paragraph for each group, then the hits that are in no group.

    Parameters
    ----------
    hits : mapping of id to Hit, every hit of `groups` and `outcomes`
    outcomes : mapping of hit id to outcome, such as "set aside"; files without one stay
    heading : str, the first line

    Returns
    -------
    str, lines that end with a line break; control characters in names are escaped
    """
    lines = [heading, "=" * len(heading), ""]
    for number, group in enumerate(groups, start=1):
        lines.append(f"{number}. {_escape(hits[group.keep].name)} - {group.reason}")
        lines.append(_line(hits[group.keep], outcomes.get(group.keep, KEPT), ""))
        for hit_id, evidence in zip(group.others, group.evidence, strict=True):
            note = f", samples agree to {percent(evidence, 1)}"
            lines.append(_line(hits[hit_id], outcomes.get(hit_id, UNDECIDED), note))
        lines.append("")
    grouped = {i for group in groups for i in group.members}
    lines += [_line(hits[i], outcome, "") for i, outcome in outcomes.items() if i not in grouped]
    n_copies = sum(len(group.others) for group in groups)
    lines.append(f"Recordings with copies: {len(groups)}")
    lines.append(f"Copies: {n_copies}")
    counts = Counter(outcomes.values())
    lines += [f"{outcome}: {n}" for outcome, n in counts.items()]
    return "\n".join(lines) + "\n"


def _line(hit: Hit, outcome: str, note: str) -> str:
    length_s = (hit.stop - hit.start) / hit.sr
    kind = f"{hit.container} {hit.subtype}, {hit.sr / 1000:g} kHz, {length_s:.2f} s{note}"
    return f"   [{outcome}] hit {hit.id}: {_escape(str(hit.path))} ({kind})"


def _escape(text: str) -> str:
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )
