"""The SFZ instrument of an exported kit."""

from __future__ import annotations

from catalog.kit.export.plan import ExportPlan, PlannedFile
from catalog.kit.slots import SLOTS, gm_name


def sfz_text(plan: ExportPlan) -> str:
    """Write the SFZ instrument.

    Each key of a slot is a group; its layers divide the velocity range and its round robins
    alternate. Recorded dynamics are kept, so velocity changes the level of the weakest layer only.
    Every stroke plays to its end (`one_shot`) unless another of its choke group starts.

    References
    ----------
    SFZ format, version 1, opcodes as at the format's public description; from memory.
    """
    lines = [
        f"// {plan.title}", "// keys: General MIDI percussion, see notes.csv", "",
        "<global>", "loop_mode=one_shot", "ampeg_release=0.05", "",
    ]  # fmt: skip
    for slot, files in plan.by_slot():
        for note in files[0].notes:
            lines += [*_sfz_group(slot, note), *(_sfz_region(file, plan) for file in files), ""]
    return "\n".join(lines) + "\n"


def _sfz_group(slot: str, note: int) -> list[str]:
    lines = [f"// {slot}: {gm_name(note)}", "<group>", f"key={note}"]
    lines += [f"pitch_keycenter={note}", "amp_veltrack=0"]
    if choke := SLOTS[slot].choke:
        lines += [f"group={choke}", f"off_by={choke}", "off_mode=normal"]
    return lines


def _sfz_region(file: PlannedFile, plan: ExportPlan) -> str:
    opcodes = [f"lovel={file.lowest}", f"hivel={file.highest}"]
    if file.n_robins > 1:
        opcodes += [f"seq_length={file.n_robins}", f"seq_position={file.robin}"]
    if file.layer == 1:
        curve = plan.velocity_curves[file.slot].items()
        opcodes += ["amp_veltrack=100", *(f"amp_velcurve_{at}={gain:.4f}" for at, gain in curve)]
    return f"<region> {' '.join(opcodes)} sample={file.file}"
