"""The kit as an SFZ instrument: plain text that samplers of many makers read."""

from __future__ import annotations

from collections.abc import Sequence

from catalog.kit.export.plan import Region, SlotPlan
from catalog.kit.slots import gm_name


def sfz_text(plans: Sequence[SlotPlan], *, title: str) -> str:
    """Write the instrument.

    A slot is a group for each of its keys; its layers share out the velocities and its round robins
    the turns. Velocity turns no level, since it is in the recordings, save below the weakest layer.
    Every stroke sounds to its end (`one_shot`) unless another of its choke group starts.

    Parameters
    ----------
    plans : sequence of SlotPlan
    title : str, for the comment at the top

    Returns
    -------
    str

    References
    ----------
    SFZ format, version 1, opcodes as at the format's public description; from memory.
    """
    lines = [f"// {one_line(title)}", "// keys: General MIDI percussion, see notes.csv", ""]
    lines += ["<global>", "loop_mode=one_shot", "ampeg_release=0.05", ""]
    for plan in plans:
        for note in plan.notes:
            lines += _group(plan, note)
    return "\n".join(lines) + "\n"


def one_line(text: str) -> str:
    """Text without line breaks and control characters, so that it cannot leave its comment."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _group(plan: SlotPlan, note: int) -> list[str]:
    lines = [f"// {plan.slot}: {gm_name(note)}", "<group>", f"key={note}"]
    lines += [f"pitch_keycenter={note}", "amp_veltrack=0"]
    if plan.choke:
        lines += [f"group={plan.choke}", f"off_by={plan.choke}", "off_mode=normal"]
    return [*lines, *(_region(region, plan) for region in plan.regions), ""]


def _region(region: Region, plan: SlotPlan) -> str:
    opcodes = [f"lovel={region.lowest}", f"hivel={region.highest}"]
    if region.n_robins > 1:
        opcodes += [f"seq_length={region.n_robins}", f"seq_position={region.robin}"]
    if region.layer == 1:
        points = (f"amp_velcurve_{at}={gain:.4f}" for at, gain in plan.curve.items())
        opcodes += ["amp_veltrack=100", *points]
    return f"<region> {' '.join(opcodes)} sample={region.file}"
