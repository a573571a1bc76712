"""The kit's folder: built beside its place, read back, then renamed; all of it or nothing."""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

from catalog.errors import CatalogError, KitError
from catalog.kit.assemble import Kit
from catalog.kit.export.papers import (
    Row,
    manifest_csv,
    manifest_json,
    manifest_row,
    notes_csv,
    readme_text,
)  # fmt: skip
from catalog.kit.export.plan import plan_export
from catalog.kit.export.sfz import one_line, sfz_text
from catalog.kit.levels import match_levels
from catalog.kit.phrase import phrase_for, phrase_midi, render_phrase
from catalog.library.records import Hit
from catalog.sound.decode import Audio, decode_file, encode_audio
from catalog.sound.strokes import mix_to_mono

SUBTYPES = {"PCM_16": 16, "PCM_24": 24, "PCM_32": 24, "FLOAT": 24}  # bits that float32 brings back
FADE_S = 0.005  # at an end that was cut while it still sounded
FADE_DB = -60.0  # below the peak: a softer end clicks no more
READ_BACK = 1.5  # steps of the format that rounding and dither may move a sample by, and one more


def export_kit(
    kit: Kit,
    hits: Mapping[int, Hit],
    folder: str | Path,
    *,
    read: Callable[[Hit], Audio],
    subtype: str = "PCM_24",
) -> list[Path]:
    """Write a kit as a folder of WAV files with an SFZ file, key map, manifest and letter.

    Parameters
    ----------
    kit : Kit
    hits : mapping of id to Hit, at least those of the kit
    folder : str or Path, the folder to make; it must not exist yet
    read : callable, gives the decoded stroke of a hit
    subtype : str, "PCM_16" (with dither), "PCM_24", "PCM_32" or "FLOAT"

    Returns
    -------
    list of Path
        every file written, sorted

    Raises
    ------
    KitError
        if the folder exists, the kit is empty or names an unknown hit, a hit cannot be read, the
        disk is full, or what was written does not read back as it should; nothing is left then
    """
    folder = Path(folder).absolute()
    if subtype not in SUBTYPES:
        raise KitError(f"subtype={subtype!r} must be one of {', '.join(SUBTYPES)}")
    if os.path.lexists(folder):
        raise KitError(f"{folder} exists already; choose a new name, nothing was overwritten")
    plan_export(kit, hits)  # refuses what cannot be written before anything is made
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        building = Path(
            tempfile.mkdtemp(prefix=f".{folder.name[:40]}.unfinished-", dir=folder.parent)
        )
    except OSError as err:
        raise KitError(f"{folder.parent} cannot be written ({err.strerror})") from err
    try:
        _build(kit, hits, building, read=read, subtype=subtype, title=folder.name)
        _move_into_place(building, folder)
    except OSError as err:
        raise KitError(
            f"{folder.name} could not be written ({err.strerror}); nothing is left of it"
        ) from err
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _build(
    kit: Kit,
    hits: Mapping[int, Hit],
    building: Path,
    *,
    read: Callable[[Hit], Audio],
    subtype: str,
    title: str,
) -> None:
    """Write every file into `building`."""
    title = one_line(kit.name if kit.name not in ("", "kit") else title)
    plans = plan_export(kit, hits)
    sounding = _reader(read)
    levels = match_levels(kit, hits, read=sounding)
    rows: list[Row] = []
    for plan in plans:
        gain_db = levels.gain_db[plan.slot]
        for region in plan.regions:
            audio = sounding(region.hit)
            written = _write_audio(building / region.file, audio, gain_db=gain_db, subtype=subtype)
            rows.append(manifest_row(plan, region, gain_db=gain_db, written=written))
    events = phrase_for([plan.slot for plan in plans])
    sr = max(row.sr for row in rows)
    wave = render_phrase(kit, hits, events, gain_db=levels.gain_db, read=sounding, sr=sr)
    _write_audio(
        building / "phrase.wav", Audio(wave, sr, "WAV", subtype), gain_db=0.0, subtype=subtype
    )
    _write_checked(building / "phrase.mid", phrase_midi(events))
    _write_papers(building, {
        "kit.sfz": sfz_text(plans, title=title),
        "notes.csv": notes_csv(plans),
        "manifest.csv": manifest_csv(rows),
        "manifest.json": manifest_json(rows, levels, title=title),
        "README.txt": readme_text(plans, rows, levels, title=title),
    })  # fmt: skip


def _reader(read: Callable[[Hit], Audio]) -> Callable[[Hit], Audio]:
    """Wrap `read`: one or two channels, faded where it was cut, errors in words of the kit."""

    def sounding(hit: Hit) -> Audio:
        try:
            audio = read(hit)
        except CatalogError as err:
            raise KitError(f"hit {hit.name} cannot be read: {err}") from err
        samples = audio.samples
        if samples.size == 0 or not np.isfinite(samples).all():
            raise KitError(f"hit {hit.name} holds no samples or values that are not numbers")
        if samples.shape[1] > 2:
            samples = mix_to_mono(samples)[:, None]
        return Audio(fade_end(samples, sr=audio.sr), audio.sr, audio.container, audio.subtype)

    return sounding


def fade_end(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Fade the last 5 ms of a stroke that was cut while it still sounded; others stay untouched.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    sr : int, Hz

    Returns
    -------
    np.ndarray, float32, same shape
    """
    n = round(FADE_S * sr)
    peak = float(np.abs(samples).max())
    if len(samples) < 4 * n or np.abs(samples[-n:]).max() <= peak * 10.0 ** (FADE_DB / 20.0):
        return samples
    faded = np.array(samples, dtype=np.float32)
    faded[-n:] *= (0.5 + 0.5 * np.cos(np.pi * np.arange(1, n + 1) / n)).astype(np.float32)[:, None]
    return faded


def _write_audio(
    path: Path, audio: Audio, *, gain_db: float, subtype: str
) -> dict[str, float | int | str]:
    """Write one file, read it back and compare frames and samples; give hash, size and peak."""
    wanted = np.asarray(audio.samples, dtype=np.float64) * 10.0 ** (gain_db / 20.0)
    step = 2.0 ** (1 - SUBTYPES[subtype])
    sent = wanted
    if subtype == "PCM_16":  # triangular dither, two steps wide: the error is no longer distortion
        rng = np.random.default_rng(len(wanted))
        sent = wanted + (rng.random(wanted.shape) - rng.random(wanted.shape)) * step
    data = encode_audio(sent, sr=audio.sr, container="WAV", subtype=subtype)
    _write_checked(path, data)
    back = decode_file(path)
    limited = np.clip(wanted, -1.0, 1.0) if subtype != "FLOAT" else wanted
    slack = READ_BACK * step * (2 if subtype == "PCM_16" else 1)
    if back.sr != audio.sr or back.samples.shape != wanted.shape:
        raise KitError(f"{path.name} did not read back: other rate, frames or channels")
    if float(np.abs(back.samples - limited).max()) > slack * max(1.0, float(np.abs(limited).max())):
        raise KitError(f"{path.name} did not read back: other samples")
    peak = float(np.abs(back.samples).max())
    return {
        "sha256": hashlib.sha256(data).hexdigest(),
        "sr": back.sr,
        "n_channels": back.samples.shape[1],
        "n_frames": len(back.samples),
        "peak_dbfs": 20.0 * float(np.log10(peak)) if peak > 0 else -np.inf,
    }


def _write_papers(building: Path, papers: Mapping[str, str]) -> None:
    for name, text in papers.items():
        _write_checked(building / name, text.encode("utf-8", errors="replace"))


def _write_checked(path: Path, data: bytes) -> None:
    _write_synced(path, data)
    if path.read_bytes() != data:
        raise KitError(f"{path.name} did not read back")


def _write_synced(path: Path, data: bytes) -> None:
    path.parent.mkdir(exist_ok=True)
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def _move_into_place(building: Path, folder: Path) -> None:
    """Rename the finished folder; what appeared there meanwhile is not touched."""
    os.chmod(building, 0o777 & ~_umask())
    for path in (building / "hits", building):
        _sync_folder(path)
    if os.path.lexists(folder):
        raise KitError(f"{folder} appeared meanwhile; choose a new name, nothing was overwritten")
    os.rename(building, folder)
    _sync_folder(folder.parent)


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask


def _sync_folder(path: Path) -> None:
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
