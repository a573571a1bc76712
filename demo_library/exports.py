"""Edited copies of some hits, as exported for a mix, and damaged files."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import replace
from math import gcd
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import resample_poly

from demo_library.maker.write import Truth, flac_bytes, wave_bytes

MIX_SR = 44_100
FOLDER = "for_mixing"
BOATHOUSE, BARN, HANDHELD = "vellanby_boathouse", "Murrinholt barn 2022-11", "handheld"
CHAPEL, LOFT = "ostrifold-chapel", "loft_2024"

# (source, exported as, edit); a source may be exported twice
EXPORTS: tuple[tuple[str, str, str], ...] = (
    (f"{BOATHOUSE}/Kick/Kick_08_close.wav", "kick boathouse A.wav", "mix"),
    (f"{BOATHOUSE}/Kick/Kick_09_close.wav", "kick boathouse B.wav", "mix"),
    (f"{BOATHOUSE}/Kick/Kick_05_close.wav", "kick boathouse soft.wav", "mix"),
    (f"{BOATHOUSE}/Snare/Snare_07_close.wav", "snare boathouse A.wav", "mix"),
    (f"{BOATHOUSE}/Snare/Snare_08_close.wav", "snare boathouse B.wav", "mix"),
    (f"{BOATHOUSE}/Snare/Snare_08_oh.wav", "snare boathouse B oh.wav", "mix"),
    (f"{BOATHOUSE}/Snare/Snare_09_close.wav", "snare boathouse C.flac", "flac"),
    (f"{BOATHOUSE}/Tom1/Tom1_03_close.wav", "tom high.wav", "mix"),
    (f"{BOATHOUSE}/Tom2/Tom2_04_close.wav", "tom low.flac", "quiet"),
    (f"{BARN}/SN brass hard 1.wav", "snare brass 1.wav", "mix"),
    (f"{BARN}/SN brass hard 2.wav", "snare brass 2.wav", "mix"),
    (f"{BARN}/SN brass hard 2.wav", "snare brass 2 flipped.wav", "flip"),
    (f"{BARN}/SN brass medium 1.wav", "snare brass 3.flac", "quiet"),
    (f"{BARN}/SN brass towel hard 3.wav", "snare towel.wav", "mix"),
    (f"{BARN}/HH closed hard 1.wav", "hat closed 1.flac", "trim"),
    (f"{BARN}/HH closed hard 2.wav", "hat closed 2.flac", "trim"),
    (f"{BARN}/HH half open hard 1.wav", "hat half.flac", "quiet"),
    (f"{BARN}/rim click hard 2.wav", "rim click.wav", "mix"),
    (f"{BARN}/BD wood hard 1.wav", "kick wood.wav", "late"),
    (f"{HANDHELD}/2023-02-19/pot lid held hard 1.wav", "pot lid held.flac", "mono"),
    (f"{HANDHELD}/2023-02-19/cardboard box hard 2.wav", "box.flac", "mono"),
    (f"{CHAPEL}/splash_ff_1_spot.flac", "splash.flac", "quiet"),
    (f"{CHAPEL}/hho_ff_2_spot.flac", "hat open chapel.flac", "trim"),
    (f"{LOFT}/240316_kick_v3_rr1.flac", "kick loft.wav", "mix"),
    (f"{LOFT}/240316_snare_v3_rr2.flac", "snare loft.wav", "mix"),
    (f"{LOFT}/240316_clap_v2_rr1.flac", "clap.wav", "mix"),
    (f"{LOFT}/240316_cowbell_v2_rr1.flac", "cowbell.flac", "trim"),
    (f"{LOFT}/240316_shaker_v2_rr3.flac", "shaker.wav", "late"),
    (f"{LOFT}/240316_tom_v3_rr1.flac", "240316_tom_v3_rr1 (1).flac", "same"),
    (f"{BOATHOUSE}/Snare/Snare_01_close.wav", "Snare_01_close.wav", "same"),
)

DAMAGED = (
    (f"{BOATHOUSE}/Tom2/Tom2_02_oh.wav", "truncated"),
    (f"{CHAPEL}/crash_mf_2_spot.flac", "truncated"),
    (f"{LOFT}/240316_kick_v3_rr2.flac", "clipped"),
)


def _peak_to(samples: np.ndarray, *, peak_db: float) -> np.ndarray:
    return samples * (10.0 ** (peak_db / 20.0) / np.abs(samples).max())


def _cut(samples: np.ndarray, *, sr: int, keep: float) -> np.ndarray:
    """Cut 1 ms before the stroke, keep a share of the rest and fade out."""
    level = np.abs(samples).max(axis=1)
    start = max(0, int(np.argmax(level > 0.05 * level.max())) - round(0.001 * sr))
    cut = samples[start : start + round(keep * (len(samples) - start))].copy()
    fade = min(len(cut), round(0.02 * sr))
    cut[len(cut) - fade :] *= np.linspace(1.0, 0.0, fade)[:, None]
    return cut


def _resample(samples: np.ndarray, *, sr: int) -> np.ndarray:
    if sr == MIX_SR:
        return samples
    step = gcd(sr, MIX_SR)
    return resample_poly(samples, MIX_SR // step, sr // step, axis=0)


def export_mix(samples: np.ndarray, sr: int) -> bytes:
    """Export at 44.1 kHz and 16 bits, cut tightly, with a peak of -1 dBFS."""
    ready = _peak_to(_cut(_resample(samples, sr=sr), sr=MIX_SR, keep=0.9), peak_db=-1.0)
    return wave_bytes(ready, sr=MIX_SR, subtype="PCM_16")


def export_late(samples: np.ndarray, sr: int) -> bytes:
    """Export at 16 bits with 40 ms of silence before the hit."""
    padded = np.pad(samples, ((round(0.04 * sr), 0), (0, 0)))
    return wave_bytes(_peak_to(padded, peak_db=-3.0), sr=sr, subtype="PCM_16")


def export_flip(samples: np.ndarray, sr: int) -> bytes:
    """Export with inverted polarity at 24 bits, with a peak of -0.3 dBFS."""
    return wave_bytes(_peak_to(-samples, peak_db=-0.3), sr=sr, subtype="PCM_24")


def export_trim(samples: np.ndarray, sr: int) -> bytes:
    """Export at the same level, shortened, as 16-bit FLAC."""
    return flac_bytes(_cut(samples, sr=sr, keep=0.8), sr=sr, subtype="PCM_16")


def export_flac(samples: np.ndarray, sr: int) -> bytes:
    """Export the same samples as 24-bit FLAC."""
    return flac_bytes(samples, sr=sr, subtype="PCM_24")


def export_quiet(samples: np.ndarray, sr: int) -> bytes:
    """Export with a peak of -14 dBFS as 16-bit FLAC."""
    return flac_bytes(_peak_to(samples, peak_db=-14.0), sr=sr, subtype="PCM_16")


def export_mono(samples: np.ndarray, sr: int) -> bytes:
    """Export the mean of both channels as 16-bit FLAC."""
    return flac_bytes(samples.mean(axis=1, keepdims=True), sr=sr, subtype="PCM_16")


EDITS: dict[str, Callable[[np.ndarray, int], bytes]] = {
    "mix": export_mix,
    "late": export_late,
    "flip": export_flip,
    "trim": export_trim,
    "flac": export_flac,
    "quiet": export_quiet,
    "mono": export_mono,
}


def write_exports(rows: Sequence[Truth], root: Path) -> list[Truth]:
    """Write the edited copies of recorded hits, those of other hits left out; return their rows."""
    row_by_path = {row.path: row for row in rows}
    (root / FOLDER).mkdir(exist_ok=True)
    copies = []
    for source, name, edit in EXPORTS:
        if source not in row_by_path:
            continue
        data = (root / source).read_bytes()
        if edit != "same":
            samples, sr = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
            data = EDITS[edit](samples, sr)
        path = f"{FOLDER}/{name}"
        (root / path).write_bytes(data)
        copies.append(replace(row_by_path[source], path=path, copy_of=source))
    return copies


def write_faults(rows: Sequence[Truth], root: Path) -> list[Truth]:
    """Damage some hits and add some unusable files.

    Returns
    -------
    list of Truth
        `rows` with the faults noted, and a row for each file that holds no stroke
    """
    silence = wave_bytes(np.zeros((MIX_SR // 4, 2)), sr=MIX_SR, subtype="PCM_16")
    note = "hats: try the heavier sticks next time, and close the barn door first\n"
    unusable = (
        (f"{BOATHOUSE}/Snare/Snare_10_close.wav", "empty", b""),
        (f"{BARN}/HH notes.wav", "text", note.encode()),
        (f"{HANDHELD}/2023-02-18/REC0038.WAV", "silence", silence),
        (f"{HANDHELD}/2023-02-18/REC0039.WAV", "no samples", silence[:40] + bytes(4)),
    )
    damage = dict(DAMAGED)
    for path in damage:
        data = (root / path).read_bytes()
        (root / path).write_bytes(_truncate(data) if damage[path] == "truncated" else _clip(data))
    faulty = [replace(row, fault=damage.get(row.path, "")) for row in rows]
    for path, fault, data in unusable:
        (root / path).write_bytes(data)
        faulty.append(Truth(path, _session_of(path, rows), *[""] * 6, fault))
    return faulty


def _truncate(data: bytes) -> bytes:
    """Return the first half of a file, as when a memory card is full; the header is unchanged."""
    return data[: len(data) // 2 | 1]


def _clip(data: bytes) -> bytes:
    """Return a hit with 22 dB of gain, clipped."""
    samples, sr = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
    return flac_bytes(samples * 10.0 ** (22.0 / 20.0), sr=sr, subtype="PCM_24")


def _session_of(path: str, rows: Sequence[Truth]) -> str:
    """Return the session whose folder contains a path."""
    top = path.split("/")[0]
    return next(row.session for row in rows if row.path.split("/")[0] == top)
