"""Compare and mix the microphones of one multichannel recording."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from catalog.audio.model import Audio
from catalog.errors import ParameterError

SOUND_M_S = 343.0  # speed of sound in dry air at 20 degrees C (ISO 9613-1, from memory)
MAX_DELAY_S = 0.050  # 17 m; a microphone further away is in another room
WINDOW_S = 0.060  # from the onset; later the room dominates
SILENCE = 1e-5  # of full scale, -100 dBFS; a channel below it has no delay
LEAD_S = 0.02  # before the loudest frame; the onset lies within
CANCEL_DB = 3.0  # a sum this far below the power of its channels cancels
MIXES = ("sum", "aligned")


@dataclass(frozen=True)
class ChannelDelay:
    """Delay, level and polarity of one channel.

    Attributes
    ----------
    channel : int, from 1
    delay_ms, distance_m : float
        after the first channel that the stroke reaches, and as a distance in air
    level_db : float, dBFS, mean power over the window of analysis
    flipped : bool, whether its polarity is opposite to that of the closest channel
    """

    channel: int
    delay_ms: float
    distance_m: float
    level_db: float
    flipped: bool


def measure_delays(samples: np.ndarray, *, sr: int) -> tuple[ChannelDelay, ...]:
    """Measure the delay of each channel after the closest one by whitened cross-correlation.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels), one stroke, its onset near the start
    sr : int, Hz

    Returns
    -------
    tuple of ChannelDelay, one per channel; silent channels have NaN for delay and distance

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
    lags, signs = _measure_lags(samples, sr=sr)
    closest = int(np.nanargmin(lags)) if np.isfinite(lags).any() else 0
    first = lags[closest] if np.isfinite(lags).any() else 0.0
    n = delay_frames(sr)
    power = np.square(samples[:n], dtype=np.float64).mean(axis=0)
    return tuple(
        ChannelDelay(
            channel=channel + 1,
            delay_ms=float((lag - first) / sr * 1000.0),
            distance_m=float((lag - first) / sr * SOUND_M_S),
            level_db=float(10 * np.log10(power[channel] + 1e-12)),
            flipped=bool(signs[channel] != signs[closest]),
        )
        for channel, lag in enumerate(lags)
    )


def delay_frames(sr: int) -> int:
    """Return how many frames of a stroke `measure_delays` reads."""
    return round((WINDOW_S + MAX_DELAY_S) * sr)


def _measure_lags(samples: np.ndarray, *, sr: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the lag of each channel after the strongest, in frames, and its polarity (1, -1)."""
    n, max_lag = delay_frames(sr), round(MAX_DELAY_S * sr)
    part = np.asarray(samples[:n], np.float64)
    size = 1 << (2 * len(part) - 1).bit_length()
    spectra = np.fft.rfft(part, size, axis=0)
    strongest = int(np.argmax(np.square(part).sum(axis=0)))
    lags = np.full(part.shape[1], np.nan)
    signs = np.ones(part.shape[1])
    for channel in range(part.shape[1]):
        if np.abs(part[:, channel]).max() < SILENCE:
            continue
        cross = spectra[:, channel] * np.conj(spectra[:, strongest])
        weight = np.sqrt(np.abs(cross)) + 1e-3 * np.sqrt(np.abs(cross).max())
        correlation = np.fft.irfft(cross / weight, size)
        correlation = np.concatenate([correlation[-max_lag:], correlation[: max_lag + 1]])
        at = int(np.argmax(np.abs(correlation)))
        lags[channel], signs[channel] = at - max_lag, np.sign(correlation[at])
    return lags, signs


def check_mix(mix: str, *, n_channels: int) -> str:
    """Return `mix` if it is valid: "", "sum", "aligned", or a channel number from 1.

    Raises
    ------
    ParameterError
        if it is none of these, or the file has no such channel
    """
    is_number = re.fullmatch(r"[0-9]{1,3}", mix) is not None
    if mix in ("", *MIXES) or (is_number and 1 <= int(mix) <= n_channels):
        return mix
    allowed = f"'sum', 'aligned', or a channel from 1 to {n_channels}"
    raise ParameterError(f"mix={mix!r} must be {allowed}")


def mix_channels(audio: Audio, mix: str) -> Audio:
    """Mix the channels of a file, or pick one.

    Parameters
    ----------
    audio : Audio
    mix : str
        "" keeps all channels, a number picks one (from 1), "sum" takes the mean of all, and
        "aligned" takes the mean after removing each channel's delay and inverted polarity

    Raises
    ------
    ParameterError
        if `mix` is unknown or the file has no such channel
    """
    check_mix(mix, n_channels=audio.samples.shape[1])
    if not mix:
        return audio
    if mix not in MIXES:
        return replace(audio, samples=audio.samples[:, int(mix) - 1 : int(mix)])
    samples = audio.samples if mix == "sum" else _align(audio.samples, sr=audio.sr)
    return replace(audio, samples=samples.mean(axis=1, keepdims=True, dtype=np.float32))


def pick_channels(audio: Audio, channels: Sequence[int]) -> Audio:
    """Return some channels of a file, counted from 1; all of them if none is given."""
    if not channels:
        return audio
    return replace(audio, samples=audio.samples[:, [channel - 1 for channel in channels]])


def _align(samples: np.ndarray, *, sr: int) -> np.ndarray:
    """Align the channels by their delays at the loudest frame."""
    loudest = int(np.argmax(np.abs(samples).max(axis=1)))
    delays = measure_delays(samples[max(0, loudest - round(LEAD_S * sr)) :], sr=sr)
    return align_channels(samples, delays, sr=sr)


def align_channels(samples: np.ndarray, delays: Sequence[ChannelDelay], *, sr: int) -> np.ndarray:
    """Shift each channel to the closest one, restore its polarity, and pad the end with zeros.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    delays : sequence of ChannelDelay, one per channel
    sr : int, Hz
    """
    out = np.zeros_like(samples)
    for column, delay in enumerate(delays):
        shift = 0 if np.isnan(delay.delay_ms) else round(delay.delay_ms / 1000.0 * sr)
        sign = -1.0 if delay.flipped else 1.0
        n = max(0, len(samples) - shift)
        out[:n, column] = sign * samples[shift:, column]
    return out


def cancellation_db(samples: np.ndarray, mixed: np.ndarray) -> float:
    """Return how far a mix lies below the summed power of its channels, in dB.

    It is 0 where unrelated channels add their powers, and above `CANCEL_DB` where they cancel.

    Parameters
    ----------
    samples : np.ndarray, shape (n_frames, n_channels)
    mixed : np.ndarray, shape (n_frames, 1), their mean
    """
    separate = float(np.square(samples, dtype=np.float64).sum()) / samples.shape[1] ** 2
    together = float(np.square(mixed, dtype=np.float64).sum())
    return float(10.0 * np.log10((separate + 1e-20) / (together + 1e-20)))
