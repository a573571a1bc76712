"""Play a WAV file through a player that the system has."""

from __future__ import annotations

import io
import shutil
import subprocess
import sys
import tempfile
import wave
from array import array
from pathlib import Path
from typing import Any

from catalog.errors import CatalogError

# Each takes the file as its last argument.
PLAYERS = (("afplay",), ("pw-play",), ("paplay",), ("aplay", "-q"))
MAX_PEAK = 0.25  # of full scale, -12 dBFS: a stroke at full scale may hurt over headphones


def play_wav(data: bytes) -> None:
    """Play a 16-bit WAV file, turned down to `MAX_PEAK` if it is louder, and wait for its end.

    Raise `CatalogError` if the system has no player, or the player fails.
    """
    quiet = limit_peak(data)
    if sys.platform == "win32":
        _play_on_windows(quiet)
        return
    player = next((command for command in PLAYERS if shutil.which(command[0])), None)
    if player is None:
        names = ", ".join(command[0] for command in PLAYERS)
        raise CatalogError(f"no player was found; install one of {names}, or use the page")
    with tempfile.TemporaryDirectory(prefix="catalog-") as folder:
        path = Path(folder) / "hit.wav"
        path.write_bytes(quiet)
        done = subprocess.run([*player, str(path)], capture_output=True, text=True, check=False)
    if done.returncode:
        reason = done.stderr.strip().splitlines()[-1:] or [f"exit code {done.returncode}"]
        raise CatalogError(f"{player[0]} could not play it ({reason[0]})")


def _play_on_windows(data: bytes) -> None:
    """Play a WAV file; where that fails, without the warning sound of the system in its place."""
    import winsound

    sounds: Any = winsound  # known to type checkers on Windows only
    try:
        sounds.PlaySound(data, sounds.SND_MEMORY | sounds.SND_NODEFAULT)
    except RuntimeError as err:
        raise CatalogError(f"Windows could not play it ({err}); check the output device") from err


def limit_peak(data: bytes) -> bytes:
    """Return a 16-bit WAV file whose samples are at most `MAX_PEAK`."""
    with wave.open(io.BytesIO(data)) as file:
        shape, samples = file.getparams(), array("h", file.readframes(file.getnframes()))
    if sys.byteorder == "big":
        samples.byteswap()
    peak = max(map(abs, samples), default=0) / 32_768
    gain = min(1.0, MAX_PEAK / peak) if peak else 1.0
    scaled = array("h", (round(gain * sample) for sample in samples))
    if sys.byteorder == "big":
        scaled.byteswap()
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams(shape)
        file.writeframes(scaled.tobytes())
    return out.getvalue()
