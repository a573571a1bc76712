"""Coverage of each drum and its gaps: a chart, a table, a printable list."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from html import escape

import streamlit as st

from catalog.catalog import Catalog
from catalog.library.review.coverage import Coverage
from catalog.library.review.gaps import STRENGTH_WORDS, STRENGTHS, CoverageBin, Gap
from catalog.web.labels import ROLE_WORDS, count_of, inert, plain

EVERY = ""
MAX_DRUMS = 24  # in the picture; more are in the table
ROW_HIGH, CELL_WIDE, COUNT_WIDE = 42, 112, 40  # of the picture; a phone shows it whole
BAR = "#2f7d78"
INKS = {"light": "#5e5a52", "dark": "#bdb9b0"}  # 4.5:1 on the page
FULL_BAR = 12  # strokes that fill a cell

Drum = tuple[str, str, str]  # role, session, drum


def draw_coverage(catalog: Catalog) -> None:
    """Draw what is missing of each drum, then what was recorded."""
    coverage = with_short_sessions(catalog.review.coverage(), catalog.search.session_names())
    roles = list(dict.fromkeys(cell.role for cell in coverage.bins))
    left, right = st.columns([1, 1], gap="large")
    role = left.selectbox(
        "Role", [EVERY, *roles], key="coverage_role",
        format_func=lambda name: ROLE_WORDS[name] if name else "all",
    )  # fmt: skip
    sessions = sorted({cell.session for cell in coverage.bins if role in (EVERY, cell.role)})
    session = right.selectbox(
        "Session", [EVERY, *sessions], key="coverage_session",
        format_func=lambda name: plain(name) or "all",
    )  # fmt: skip

    def is_wanted(one: CoverageBin | Gap) -> bool:
        return role in (EVERY, one.role) and session in (EVERY, one.session)

    cells = [cell for cell in coverage.bins if is_wanted(cell)]
    gaps = [gap for gap in coverage.gaps if is_wanted(gap)]
    st.markdown(f"**{count_of(len(gaps), 'gap')} to record**" if gaps else "Nothing is missing.")
    missing, recorded = st.columns([1, 1], gap="large")
    with missing:
        st.markdown("\n".join(f"- {inert(gap.words)}" for gap in gaps[:MAX_DRUMS]))
        if len(gaps) > MAX_DRUMS:
            st.caption(f"The first {MAX_DRUMS}; the list has all of them.")
        st.download_button(
            "Printable list for the studio", data=list_text(cells, [gap.words for gap in gaps]),
            file_name="to record.txt", mime="text/plain", on_click="ignore", key="coverage_list",
        )  # fmt: skip
    with recorded:
        drums = _by_drum(cells)
        ink = INKS["dark" if st.context.theme.type == "dark" else "light"]
        picture = draw_picture(dict(list(drums.items())[:MAX_DRUMS]), ink=ink)
        st.image(picture, width="content", alt="Strokes of each drum by strength; see the table")
        if len(drums) > MAX_DRUMS:
            st.caption(f"The first {MAX_DRUMS} of {len(drums)} drums; all are in the table.")
    st.dataframe(_table(cells), hide_index=True)


def with_short_sessions(coverage: Coverage, names: Mapping[str, str]) -> Coverage:
    """Return the coverage with the short names of sessions, also in the sentences."""
    cells = (replace(cell, session=names.get(cell.session, cell.session)) for cell in coverage.bins)
    return Coverage(tuple(cells), tuple(_shorten_gap(gap, names) for gap in coverage.gaps))


def _shorten_gap(gap: Gap, names: Mapping[str, str]) -> Gap:
    if not gap.session:  # a role that is missing everywhere
        return gap
    name = names.get(gap.session, gap.session)
    return replace(gap, session=name, words=gap.words.replace(gap.session, name))


def _by_drum(cells: Sequence[CoverageBin]) -> dict[Drum, list[CoverageBin]]:
    drums: dict[Drum, list[CoverageBin]] = defaultdict(list)
    for cell in cells:
        drums[cell.role, cell.session, cell.drum].append(cell)
    return drums


def draw_picture(drums: dict[Drum, list[CoverageBin]], *, ink: str) -> str:
    """Return an SVG with a line a drum and a bar for each strength, as wide as it has strokes.

    Strokes through several microphones count once: the microphone with the most is taken. A
    missing strength is drawn as a hollow bar and named as well. `ink` is the color of the text.
    """
    width, high = 3 * CELL_WIDE, 20 + ROW_HIGH * len(drums)
    parts = [
        _text(k * CELL_WIDE, 14, STRENGTH_WORDS[name], ink=ink) for k, name in enumerate(STRENGTHS)
    ]
    for row, ((_, session, drum), cells) in enumerate(drums.items()):
        y = 20 + ROW_HIGH * row
        parts.append(_text(0, y + 14, f"{drum} · {session}"[:52], ink=ink))
        for k, strength in enumerate(STRENGTHS):
            parts.append(_draw_bar(k * CELL_WIDE, y + 20, count_strokes(cells, strength), ink=ink))
    body = "".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {high}" width="{width}"'
        f' height="{high}" font-family="sans-serif" font-size="12">{body}</svg>'
    )


def _draw_bar(x: float, y: float, n: int, *, ink: str) -> str:
    most = CELL_WIDE - COUNT_WIDE
    wide = most * min(1.0, n / FULL_BAR) if n else most
    fill = f'fill="{BAR}"' if n else f'fill="none" stroke="{ink}" stroke-dasharray="3 2"'
    bar = f'<rect x="{x}" y="{y}" height="12" width="{wide:.1f}" {fill}/>'
    return bar + _text(x + wide + 5, y + 11, str(n) if n else "none", ink=ink)


def _text(x: float, y: float, text: str, *, ink: str) -> str:
    return f'<text x="{x}" y="{y}" fill="{ink}">{escape(plain(text))}</text>'


def count_strokes(cells: Sequence[CoverageBin], strength: str) -> int:
    """Return the number of strokes of one strength, by the microphone that has the most."""
    by_microphone: dict[str, int] = defaultdict(int)
    for cell in cells:
        if cell.strength == strength:
            by_microphone[cell.microphone] += cell.n_hits
    return max(by_microphone.values(), default=0)


def _table(cells: Sequence[CoverageBin]) -> dict[str, list[object]]:
    return {
        "role": [ROLE_WORDS[cell.role] for cell in cells],
        "drum": [plain(cell.drum) for cell in cells],
        "session": [plain(cell.session) for cell in cells],
        "stroke": [cell.stroke or "–" for cell in cells],
        "strength": [STRENGTH_WORDS[cell.strength] for cell in cells],
        "microphone": [plain(cell.microphone) or "–" for cell in cells],
        "strokes": [cell.n_hits for cell in cells],
    }


def list_text(cells: Sequence[CoverageBin], gaps: Sequence[str]) -> str:
    """Return the printable list: boxes to tick off, then the present strokes."""
    boxes = [f"[ ] {plain(words)}" for words in gaps] or ["nothing is missing"]
    lines = ["TO RECORD", "", *boxes, "", "ALREADY RECORDED", ""]
    for (role, session, drum), members in _by_drum(cells).items():
        counts = ", ".join(f"{STRENGTH_WORDS[s]} {count_strokes(members, s)}" for s in STRENGTHS)
        lines.append(f"{plain(drum)} ({ROLE_WORDS[role]}, {plain(session)}): {counts}")
    return "\n".join(lines) + "\n"
