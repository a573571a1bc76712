"""A picture of the level by velocity of each slot of an export, as SVG."""

from __future__ import annotations

from collections.abc import Mapping
from html import escape
from math import isfinite

from catalog.kit.export.plan import ExportPlan, PlannedFile
from catalog.models import Hit

WIDTH, HEIGHT, MARGIN = 420, 130, 36  # pixels of the diagram of a slot, and around it
RANGE_DB = 60.0  # below the loudest stroke of the kit
GRID_DB = 20
COLORS = ("#1f5fa8", "#c25b12")  # of neighboring layers


Stroke = tuple[list[tuple[int, float]], tuple[float, int]]  # (velocity, LKFS); recorded, layer


def velocity_plot(plan: ExportPlan, hits: Mapping[int, Hit]) -> str:
    """Draw the loudness that each slot plays at velocities 1 to 127.

    A line is a stroke in its layer, and a dot the level at which it was recorded.
    """
    levels = {slot: _slot_levels(files, plan, hits) for slot, files in plan.by_slot()}
    known = [level for strokes in levels.values() for line, _ in strokes for _, level in line]
    top_db = max((level for level in known if isfinite(level)), default=0.0)
    rows = [
        _draw_slot(strokes, slot, number=number, top_db=top_db)
        for number, (slot, strokes) in enumerate(levels.items())
    ]
    width, height = WIDTH + 2 * MARGIN, len(rows) * (HEIGHT + MARGIN) + MARGIN
    style = "font: 11px sans-serif; background: #fff"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'style="{style}">\n<title>{escape(plan.title)}: LKFS by velocity</title>\n'
        + "\n".join(rows)
        + "\n</svg>\n"
    )


def _slot_levels(
    files: tuple[PlannedFile, ...], plan: ExportPlan, hits: Mapping[int, Hit]
) -> list[Stroke]:
    strokes = []
    for file in {(file.layer, file.robin): file for file in files}.values():
        recorded = hits[file.hit_id].played_lkfs + (file.gain_db or 0.0)
        curve = plan.curves[file.slot, file.hit_id]
        velocities = range(file.lowest, file.highest + 1)
        line = [(velocity, recorded + curve.gain_db(velocity)) for velocity in velocities]
        strokes.append((line, (recorded, file.layer)))
    return strokes


def _draw_slot(strokes: list[Stroke], slot: str, *, number: int, top_db: float) -> str:
    left, top = MARGIN, MARGIN + number * (HEIGHT + MARGIN)

    def at(velocity: float, level_db: float) -> str:
        depth = min(max(top_db - level_db, 0.0), RANGE_DB) / RANGE_DB
        return f"{left + WIDTH * velocity / 127:.1f},{top + HEIGHT * depth:.1f}"

    parts = [f'<text x="{left}" y="{top - 6}">{escape(slot)}</text>']
    parts += [
        f'<path d="M{at(0, level)} L{at(127, level)}" stroke="#ddd"/>'
        f'<text x="2" y="{at(0, level).split(",")[1]}">{level:.0f}</text>'
        for level in (top_db - step for step in range(0, round(RANGE_DB) + 1, GRID_DB))
    ]
    for line, (recorded, layer) in strokes:
        if not all(isfinite(level) for _, level in line):
            continue
        color = COLORS[layer % len(COLORS)]
        points = " L".join(at(*point) for point in line)
        parts.append(f'<path d="M{points}" stroke="{color}" fill="none" stroke-width="1.5"/>')
        velocity = min(line, key=lambda point: abs(point[1] - recorded))[0]
        x, y = at(velocity, recorded).split(",")
        parts.append(f'<circle cx="{x}" cy="{y}" r="2.5" fill="{color}"/>')
    return "\n".join(parts)
