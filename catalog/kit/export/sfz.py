"""The SFZ instrument of an exported kit."""

from __future__ import annotations

from catalog.kit.export.plan import ExportPlan, PlannedFile, one_line
from catalog.kit.slots import SLOTS, gm_name

CONTROL_DB = -60.0  # of a microphone's controller at 127; at 0, where players begin, it is 0 dB
CONTROLLERS = (20, 21, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31, 102, 103, 104, 105)
"""Controllers that MIDI 1.0 leaves undefined, from memory."""


def sfz_text(plan: ExportPlan) -> str:
    """Write the SFZ instrument.

    Each key of a slot is a group; its layers divide the velocity range and its round robins
    alternate. The files hold the recorded dynamics; each stroke has a velocity curve by which
    neighboring layers meet at one level, and a `volume` if it is played louder than recorded.
    With all microphones each has groups of its own with its controller (`gain_cc`), and is choked
    by itself only. Every stroke plays to its end (`one_shot`) unless another of its choke group
    starts.

    References
    ----------
    SFZ format, version 1, opcodes as at the format's public description; from memory.
    """
    lines = [
        f"// {plan.title}", f"// keys: {plan.options.keys}, see notes.csv", "",
        "<global>", "loop_mode=one_shot", "ampeg_release=0.05", "",
    ]  # fmt: skip
    controls = microphone_controls(plan)
    for slot, files in plan.by_slot():
        for note in files[0].notes:
            for name in dict.fromkeys(map(_microphone, files)):
                own = [file for file in files if _microphone(file) == name]
                title = slot if slot in plan.options.notes else f"{slot}: {gm_name(note)}"
                lines += _sfz_group(slot, note, controls.get(name), title=_titled(title, name))
                lines += [*(_sfz_region(file, plan) for file in own), ""]
    return "\n".join(lines) + "\n"


def microphone_controls(plan: ExportPlan) -> dict[str, int]:
    """Return the MIDI controller of each microphone, of an export with all of them."""
    names = dict.fromkeys(_microphone(file) for file in plan.audio if file.part is not None)
    return dict(zip(names, CONTROLLERS, strict=False))


def _microphone(file: PlannedFile) -> str:
    return file.part.microphone if file.part is not None else ""


def _titled(title: str, microphone: str) -> str:
    return f"{title}, {one_line(microphone)}" if microphone else title


def _sfz_group(slot: str, note: int, control: int | None, *, title: str) -> list[str]:
    lines = [f"// {title}", "<group>", f"key={note}"]
    if control is not None:
        lines += ["volume=0", f"gain_cc{control}={CONTROL_DB:g}"]
    lines += [f"pitch_keycenter={note}", "amp_veltrack=100"]
    if choke := SLOTS[slot].choke:
        number = choke if control is None else 1000 * choke + control
        lines += [f"group={number}", f"off_by={number}", "off_mode=normal"]
    return lines


def _sfz_region(file: PlannedFile, plan: ExportPlan) -> str:
    opcodes = [f"lovel={file.lowest}", f"hivel={file.highest}"]
    if file.n_robins > 1:
        opcodes += [f"seq_length={file.n_robins}", f"seq_position={file.robin}"]
    curve = plan.curves[file.slot, file.hit_id]
    opcodes += [f"volume={curve.top_db:.2f}"]
    opcodes += [f"amp_velcurve_{at}={gain:.6f}" for at, gain in curve.points.items()]
    return f"<region> {' '.join(opcodes)} sample={file.file}"
