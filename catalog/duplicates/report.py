"""A plain-text account of what is there twice and what became of each file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from catalog.duplicates.groups import CopyGroup
from catalog.models import Hit

KEPT, LEFT = "stays", "stays, nothing was decided"


def write_report(
    groups: Sequence[CopyGroup],
    hits: Mapping[int, Hit],
    *,
    fates: Mapping[int, str],
    heading: str,
) -> str:
    """Write one paragraph a recording, then what is said of hits that are in no group.

    Parameters
    ----------
    groups : sequence of CopyGroup
    hits : mapping of id to Hit
        all that the groups and `fates` name
    fates : mapping of hit id to str
        what became of a file, such as "set aside"; one that is not named stays
    heading : str
        the first line

    Returns
    -------
    str, lines of text that end with a line break; control characters in names are spelled out
    """
    lines = [heading, "=" * len(heading), ""]
    for number, group in enumerate(groups, start=1):
        lines.append(f"{number}. {_clean(hits[group.keep].name)} - {group.reason}")
        lines.append(_line(hits[group.keep], fates.get(group.keep, KEPT), ""))
        for hit_id, evidence in zip(group.others, group.evidence, strict=True):
            said = f", samples agree to {100 * evidence:.1f} %"
            lines.append(_line(hits[hit_id], fates.get(hit_id, LEFT), said))
        lines.append("")
    grouped = {i for group in groups for i in (group.keep, *group.others)}
    lines += [_line(hits[i], fate, "") for i, fate in fates.items() if i not in grouped]
    n_copies = sum(len(group.others) for group in groups)
    lines.append(f"Recordings that are there more than once: {len(groups)}")
    lines.append(f"Further files of them: {n_copies}")
    counts = {fate: list(fates.values()).count(fate) for fate in dict.fromkeys(fates.values())}
    lines += [f"{fate}: {n}" for fate, n in counts.items()]
    return "\n".join(lines) + "\n"


def _line(hit: Hit, fate: str, said: str) -> str:
    length_s = (hit.stop - hit.start) / hit.sr
    kind = f"{hit.container} {hit.subtype}, {hit.sr / 1000:g} kHz, {length_s:.2f} s"
    return f"   [{fate}] hit {hit.id}: {_clean(str(hit.path))} ({kind}{said})"


def _clean(text: str) -> str:
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )
