"""One stroke through several microphones of one file: delays of channels, mixes of them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import ParameterError

SOUND_M_S = 343.0  # speed of sound in dry air at 20 degrees C (ISO 9613-1, from memory)
MAX_DELAY_S = 0.050  # 17 m; a microphone further away is in another room
LOOK_S = 0.060  # of the stroke, from its onset: what comes later is the room
CANCEL_DB = 3.0  # a sum this far below the power of its channels cancels
MIXES = ("sum", "aligned")


@dataclass(frozen=True)
class ChannelDelay:
    """How one channel of a stroke stands to the closest.

    Attributes
    ----------
    channel : int, from 1
    delay_ms, distance_m : float
        after the channel that hears the stroke first, and how far sound travels in that time
    level_db : float, dBFS, mean over the first 60 ms
    flipped : bool, whether its polarity is opposite to the closest's
    """

    channel: int
    delay_ms: float
    distance_m: float
    level_db: float
    flipped: bool


def measure_delays(samples: np.ndarray, *, sr: int) -> tuple[ChannelDelay, ...]:
    """Delay of each channel after the closest, by the peak of the whitened cross-correlation.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), one stroke, its onset near the start
    sr : int, Hz

    Returns
    -------
    tuple of ChannelDelay, one a channel; silent channels have NaN for delay and distance

    Raises
    ------
    ParameterError
        if there are no samples

    References
    ----------
    C. H. Knapp, G. C. Carter, "The generalized correlation method for estimation of time delay",
    IEEE Trans. Acoust., Speech, Signal Process. 24, 320-327, 1976.
    """
    if samples.size == 0:
        raise ParameterError("samples is empty: there is no stroke to compare")
    shifts, signs = _shifts(samples, sr=sr)
    first = np.nanmin(shifts) if np.isfinite(shifts).any() else 0.0
    n = round((LOOK_S + MAX_DELAY_S) * sr)
    power = np.square(samples[:n], dtype=np.float64).mean(axis=0)
    closest = int(np.nanargmin(shifts)) if np.isfinite(shifts).any() else 0
    return tuple(
        ChannelDelay(
            channel + 1,
            float((shift - first) / sr * 1000.0),
            float((shift - first) / sr * SOUND_M_S),
            float(10 * np.log10(power[channel] + 1e-12)),
            bool(signs[channel] != signs[closest]),
        )
        for channel, shift in enumerate(shifts)
    )


def _shifts(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Shift of each channel against the strongest, in frames, and the sign that it agrees with."""
    n, most = round((LOOK_S + MAX_DELAY_S) * sr), round(MAX_DELAY_S * sr)
    part = np.asarray(samples[:n], np.float64)
    size = 1 << (2 * len(part) - 1).bit_length()
    spectra = np.fft.rfft(part, size, axis=0)
    strongest = int(np.argmax(np.square(part).sum(axis=0)))
    shifts = np.full(part.shape[1], np.nan)
    signs = np.ones(part.shape[1])
    for channel in range(part.shape[1]):
        if np.abs(part[:, channel]).max() < 1e-5:  # below -100 dBFS nothing is heard
            continue
        cross = spectra[:, channel] * np.conj(spectra[:, strongest])
        weight = np.sqrt(np.abs(cross)) + 1e-3 * np.sqrt(np.abs(cross).max())
        curve = np.fft.irfft(cross / weight, size)
        curve = np.concatenate([curve[-most:], curve[: most + 1]])
        at = int(np.argmax(np.abs(curve)))
        shifts[channel], signs[channel] = at - most, np.sign(curve[at])
    return shifts, signs


def check_mix(mix: str, *, n_channels: int) -> str:
    """Give a mix choice back: "", "sum", "aligned", or a channel's number from 1.

    Raises
    ------
    ParameterError
        if it is none of these, or the file has no such channel
    """
    if mix in ("", *MIXES):
        return mix
    if re.fullmatch(r"[0-9]{1,3}", mix) and 1 <= int(mix) <= n_channels:
        return mix
    raise ParameterError(
        f"mix={mix!r} must be 'sum', 'aligned', or a channel from 1 to {n_channels}"
    )


def mix_channels(audio: Audio, mix: str) -> Audio:
    """Mix the channels of a file as was chosen.

    Parameters
    ----------
    audio : Audio
    mix : str
        "" leaves them as they are, a number takes one channel (from 1), "sum" is the mean of all,
        "aligned" the mean after each was moved forward by its delay and turned to the polarity of
        the closest

    Returns
    -------
    Audio

    Raises
    ------
    ParameterError
        if the choice is unknown or the file has no such channel
    """
    check_mix(mix, n_channels=audio.samples.shape[1])
    if not mix:
        return audio
    if mix not in MIXES:
        return replace(audio, samples=audio.samples[:, int(mix) - 1 : int(mix)])
    samples = audio.samples if mix == "sum" else _align(audio.samples, sr=audio.sr)
    return replace(audio, samples=samples.mean(axis=1, keepdims=True, dtype=np.float32))


def _align(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Move each channel forward to the closest one; the end is filled up with silence."""
    loudest = int(np.argmax(np.abs(samples).max(axis=1)))
    delays = measure_delays(samples[max(0, loudest - round(0.02 * sr)) :], sr=sr)
    out = np.zeros_like(samples)
    for column, delay in enumerate(delays):
        shift = 0 if np.isnan(delay.delay_ms) else round(delay.delay_ms / 1000.0 * sr)
        sign = -1.0 if delay.flipped else 1.0
        out[: len(samples) - shift, column] = sign * samples[shift:, column]
    return out


def cancellation_db(samples: np.ndarray, mixed: np.ndarray) -> float:
    """How far a sum lies below what its channels would give if nothing cancelled.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    mixed : np.ndarray, shape (n_frames, 1), their mean

    Returns
    -------
    float, dB
        0 where unrelated channels add their powers, above `CANCEL_DB` where they cancel
    """
    alone = float(np.square(samples, dtype=np.float64).sum()) / samples.shape[1] ** 2
    together = float(np.square(mixed, dtype=np.float64).sum())
    return float(10.0 * np.log10((alone + 1e-20) / (together + 1e-20)))
