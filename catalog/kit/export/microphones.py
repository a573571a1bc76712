"""Which microphones a kit is exported with: one of each stroke, a mix of them, or all."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from catalog.audio.arrival import measure_arrivals
from catalog.audio.model import Audio
from catalog.errors import KitArgumentError, KitError
from catalog.features.loudness import hit_loudness
from catalog.features.waveform import mix_to_mono
from catalog.kit.export.options import ALL, MIX, ExportOptions
from catalog.kit.strokes import StrokeReader
from catalog.models import Hit, Microphone
from catalog.wording import plain_slot

LOUDNESS_S = 2.0  # of a mix, from its start; as for the loudness of a hit
Read = Callable[[Hit], Audio]


@dataclass(frozen=True)
class MicrophoneExport:
    """The strokes of a kit as its export uses them, by the ids of the kit.

    Attributes
    ----------
    hits : mapping of int to Hit, whose loudness is that of what is written
    read : callable, decodes what sets the levels: a microphone, or the sum of several
    parts : mapping of int to tuple of Hit, the microphones that are files of their own
    read_part : callable, decodes one microphone
    mixes : mapping of int to str, how each mix was made
    warnings : tuple of str
    strokes : mapping of int to Hit, as the kit holds them, for what does not depend on microphones
    """

    hits: Mapping[int, Hit]
    read: Read
    parts: Mapping[int, tuple[Hit, ...]] = field(default_factory=dict)
    read_part: Read | None = None
    mixes: Mapping[int, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    strokes: Mapping[int, Hit] = field(default_factory=dict)


def use_microphones(
    hits: Mapping[int, Hit], microphones: Mapping[int, Hit], options: ExportOptions, *, read: Read
) -> MicrophoneExport:
    """Return the strokes of a kit through the microphones that the options name.

    Parameters
    ----------
    hits : mapping of int to Hit, the strokes of the kit
    microphones : mapping of int to Hit, all microphones of these strokes
    read : callable, decodes one microphone

    Raises
    ------
    KitError
        if no stroke has a microphone of that name, or one cannot be read
    """
    read = StrokeReader.of(read)
    if not options.microphone:
        return MicrophoneExport(hits, read)
    own = {
        hit_id: tuple(microphones[mic.hit_id] for mic in hit.microphones)
        for hit_id, hit in hits.items()
    }
    if options.microphone not in (MIX, ALL):
        return _use_one(hits, own, options.microphone, read)
    levels = dict(options.mix_levels) if options.microphone == MIX else {}
    _check_names(levels, own)
    align = options.microphone == MIX
    mixed = {
        hit_id: _mix(hit, own[hit_id], read, levels=levels, align=align)
        for hit_id, hit in hits.items()
    }
    loud = {hit_id: _with_loudness(hits[hit_id], audio) for hit_id, (audio, _) in mixed.items()}
    texts = {hit_id: text for hit_id, (_, text) in mixed.items() if len(own[hit_id]) > 1}
    return MicrophoneExport(
        loud,
        lambda hit: mixed[hit.id][0],
        parts={} if align else own,
        read_part=read,
        mixes=texts if align else {},
        warnings=_gaps(hits, own) if not align else (),
        strokes=hits,
    )


def _use_one(
    hits: Mapping[int, Hit], own: Mapping[int, tuple[Hit, ...]], name: str, read: Read
) -> MicrophoneExport:
    """Use the microphone of one name; strokes without it keep theirs, with a warning."""
    chosen, missing = {}, list[Hit]()
    for hit_id, hit in hits.items():
        found = [part for part in own[hit_id] if part.microphone.casefold() == name.casefold()]
        if not found:
            missing.append(hit)
        strength = hit.strength_lkfs if found else hit.heard_lkfs
        chosen[hit_id] = replace((found or [hit])[0], id=hit_id, heard_lkfs=strength)
    if len(missing) == len(hits):
        raise KitArgumentError(
            f"no stroke of the kit has a microphone {name!r}; they have {_names(own)}"
        )
    warnings = (_missing_line(missing, name, n_hits=len(hits)),) if missing else ()
    return MicrophoneExport(chosen, read, warnings=warnings, strokes=hits)


def _missing_line(missing: Sequence[Hit], name: str, *, n_hits: int) -> str:
    """Return one sentence on all strokes without a microphone, counted by role."""
    counts = Counter(plain_slot(hit.role) for hit in missing)
    roles = ", ".join(f"{n} {role}" for role, n in counts.most_common())
    return (
        f"{len(missing)} of {n_hits} strokes have no microphone {name!r} and keep the one that"
        f" stands for them: {roles}"
    )


def _check_names(levels: Mapping[str, float], own: Mapping[int, tuple[Hit, ...]]) -> None:
    known = {part.microphone.casefold() for parts in own.values() for part in parts}
    for name in levels:
        if name.casefold() not in known:
            raise KitArgumentError(
                f"no stroke of the kit has a microphone {name!r}; use {_names(own)}"
            )


def _names(own: Mapping[int, tuple[Hit, ...]]) -> str:
    found = {part.microphone for parts in own.values() for part in parts if part.microphone}
    return ", ".join(sorted(found)) or "one without a name"


def _gaps(hits: Mapping[int, Hit], own: Mapping[int, tuple[Hit, ...]]) -> tuple[str, ...]:
    """List strokes that lack a microphone which another stroke of their drum has."""
    by_drum: dict[tuple[str, str], set[str]] = {}
    for hit_id, hit in hits.items():
        names = {part.microphone.casefold() for part in own[hit_id]}
        by_drum.setdefault((hit.session, hit.drum), set()).update(names)
    lines = []
    for hit_id, hit in hits.items():
        names = {part.microphone.casefold() for part in own[hit_id]}
        if lacking := by_drum[hit.session, hit.drum] - names:
            lines.append(f"{hit.name} lacks the microphone {', '.join(sorted(lacking))}")
    return tuple(lines)


def _mix(
    hit: Hit, parts: tuple[Hit, ...], read: Read, *, levels: Mapping[str, float], align: bool
) -> tuple[Audio, str]:
    """Return the sum of the microphones of a stroke, aligned if so wanted, and how it was made."""
    if len(parts) == 1:
        return read(parts[0]), ""
    audios = [read(part) for part in parts]
    if len({audio.sr for audio in audios}) > 1:
        raise KitError(f"{hit.name}: its microphones have several sample rates; use one of them")
    arrivals = _arrivals(hit, audios) if align else [(0.0, 1)] * len(parts)
    by_name = {name.casefold(): level for name, level in levels.items()}
    wide = max(audio.samples.shape[1] for audio in audios)
    mixed = np.zeros((max(len(audio.samples) for audio in audios), wide))
    texts = []
    for part, audio, (delay, sign) in zip(parts, audios, arrivals, strict=True):
        level_db, shift = by_name.get(part.microphone.casefold(), 0.0), round(delay)
        moved = audio.samples[shift:]
        mixed[: len(moved)] += sign * 10.0 ** (level_db / 20.0) * moved
        turned = ", polarity turned" if sign < 0 else ""
        texts.append(f"{part.microphone} {level_db:+.1f} dB, {shift} frames earlier{turned}")
    return replace(audios[0], samples=mixed.astype(np.float32)), "; ".join(texts)


def _arrivals(hit: Hit, audios: list[Audio]) -> list[tuple[float, int]]:
    """Return delay in frames and polarity of each microphone; measured here if not known."""
    known = [_known(mic) for mic in hit.microphones]
    if all(arrival is not None for arrival in known):
        return [arrival for arrival in known if arrival is not None]
    n = max(len(audio.samples) for audio in audios)
    columns = np.zeros((n, len(audios)))
    for column, audio in enumerate(audios):
        columns[: len(audio.samples), column] = mix_to_mono(audio.samples)
    found = measure_arrivals([columns], sr=audios[0].sr)
    return [(float(np.nan_to_num(a.delay_samples)), a.polarity) for a in found]


def _known(mic: Microphone) -> tuple[float, int] | None:
    if mic.delay_samples is None or mic.polarity is None:
        return None
    return mic.delay_samples, mic.polarity


def _with_loudness(hit: Hit, audio: Audio) -> Hit:
    """Return a hit with the loudness and channels of its mix, and the strength of its stroke."""
    part = audio.samples[: round(LOUDNESS_S * audio.sr), :2]
    loudness = {"loudness_lkfs": hit_loudness(part, sr=audio.sr)}
    return replace(
        hit,
        descriptors={**hit.descriptors, **loudness},
        n_channels=audio.samples.shape[1],
        heard_lkfs=hit.strength_lkfs if hit.tied else hit.heard_lkfs,
    )
