"""Which hit of a group of copies is kept, and why."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

from catalog.audio.model import Audio
from catalog.duplicates.preference import (
    BITS,
    has_copy_name,
    n_provenance_fields,
    preference_key,
    preference_reason,
)
from catalog.library.scan.walk import SCAN_AGAIN, hash_file
from catalog.library.store.records.cache import OriginCache, Signs
from catalog.matching.origin.compare import compare_origin
from catalog.matching.origin.model import Loss, Origin, Sign
from catalog.models import MARK_RANK, Hit

Read = Callable[[Hit], Audio | None]
CompareMany = Callable[[Sequence[tuple[Hit, Hit]]], Iterable[Origin | None]]
PAIRS_PER_COMMIT = 1024
MAX_COMPARED = 12  # hits of one group; of larger groups the best ones by format are compared
MAX_REASONS = 3
LEVEL_DB = 0.5  # a smaller change of level is not mentioned
# names of folders that hold what was made from recordings: common practice, no source
EXPORT_FOLDER = re.compile(
    r"(?:^|[\W_])(?:exports?|exported|bounces?|bounced|mix(?:es|ed|down|ing)?|renders?|rendered"
    r"|mixdowns?|processed|finals?|prints?|printed)(?:$|[\W_])",
    re.IGNORECASE,
)


class KeeperChoice:
    """Choose the hit to keep among copies.

    In this order: no file of an exported kit, the user's mark, what the samples show of how one
    copy was made from the other, the user's folders, a session before a folder of exports, what is
    known of where it comes from, the format.

    Parameters
    ----------
    read : callable, optional, returns the samples of a hit, None if they cannot be read
    origins : OriginCache, optional, of pairs compared earlier; new ones are added
    folders : sequence of Path, in the user's order of preference
    compare_many : callable, optional, compares many pairs in order, faster than one by one
    """

    def __init__(
        self,
        read: Read | None = None,
        origins: OriginCache | None = None,
        folders: Sequence[Path] = (),
        compare_many: CompareMany | None = None,
    ) -> None:
        self._read = read
        self._compare_many = compare_many
        self._origins = origins
        self._folders = tuple(folders)

    def compare(
        self, groups: Iterable[Sequence[Hit]], on_pair: Callable[[int, int], None] | None = None
    ) -> None:
        """Compare the samples of groups of copies, all at once, for later calls of `order`."""
        if self._compare_many is None or self._origins is None:
            return
        pairs = [pair for hits in groups for pair in self._open_pairs(hits)]
        for n, (pair, origin) in enumerate(
            zip(pairs, self._compare_many(pairs), strict=True), start=1
        ):
            if origin is not None:
                self._origins.add(*pair, _to_signs(origin))
            if n % PAIRS_PER_COMMIT == 0:
                self._origins.write()  # an interrupted run continues from here
            if on_pair is not None:
                on_pair(n, len(pairs))

    def _open_pairs(self, hits: Sequence[Hit]) -> list[tuple[Hit, Hit]]:
        """Return the pairs that `order` compares, as far as they are known beforehand."""
        best, *others = sorted(hits, key=self._key)[:MAX_COMPARED]
        return [
            (best, hit)
            for hit in others
            if _said(hit) == _said(best)
            and hit.content_hash != best.content_hash
            and self._origins is not None
            and self._origins.get(best, hit) is None
        ]

    def order(self, hits: Sequence[Hit]) -> list[Hit]:
        """Return the hits with the one to keep first."""
        ordered = sorted(hits, key=self._key)
        best = ordered[0]
        for hit in ordered[1:MAX_COMPARED]:
            if _said(hit) == _said(best) and self.origin(best, hit).order < 0:
                best = hit
        return [best, *(hit for hit in ordered if hit is not best)]

    def reason(self, keep: Hit, others: Sequence[Hit]) -> str:
        """Return why a hit is kept over its copies, such as "kept: the other is faded out"."""
        differing = [hit for hit in others if hit.content_hash != keep.content_hash]
        other = min(differing or others, key=self._key)
        if _said(keep) == _said(other):
            words = _origin_words(self.origin(keep, other), keep, other)
            words = words or self._rule_words(keep, other)
            if words:
                return f"kept: {', '.join(words[:MAX_REASONS])}"
        return preference_reason(keep, [other])

    def origin(self, first: Hit, second: Hit) -> Origin:
        """Return what the samples show of which copy was made first."""
        if self._read is None or first.content_hash == second.content_hash:
            return Origin()
        stored = self._origins.get(first, second) if self._origins is not None else None
        if stored is not None:
            return Origin(tuple(Sign(Loss(name), *rest) for name, *rest in stored))
        samples = self._read(first), self._read(second)
        if samples[0] is None or samples[1] is None:
            return Origin()
        origin = compare_origin(samples[0], samples[1])
        if self._origins is not None:
            self._origins.add(first, second, _to_signs(origin))
        return origin

    def _key(self, hit: Hit) -> tuple[float, ...]:
        form, rules = preference_key(hit), self._rules(hit)
        if self._read is None:  # nothing shows which was made first, so that the format decides
            return (*_said(hit), *form[:-1], *rules, *form[-1:])
        return (*_said(hit), *rules, *form)

    def _rules(self, hit: Hit) -> tuple[float, ...]:
        """Return the ranks by the user's rules, the lowest first."""
        return (
            float(self._folder_rank(hit)),
            float(is_in_exports(hit)),
            -float(n_provenance_fields(hit)),
            float(has_copy_name(hit)),
        )

    def _folder_rank(self, hit: Hit) -> int:
        ranks = (n for n, folder in enumerate(self._folders) if hit.path.is_relative_to(folder))
        return next(ranks, len(self._folders))

    def _rule_words(self, keep: Hit, other: Hit) -> list[str]:
        if self._folder_rank(keep) < self._folder_rank(other):
            return [f"in the preferred folder {self._folders[self._folder_rank(keep)].name}"]
        if is_in_exports(other) and not is_in_exports(keep):
            return [f"the other is in the folder {other.path.parent.name}"]
        return []


def _to_signs(origin: Origin) -> Signs:
    return tuple((str(sign.loss), sign.weight, sign.amount) for sign in origin.signs)


def is_in_exports(hit: Hit) -> bool:
    """Return whether the folder of a hit has a name as folders of exports have."""
    return EXPORT_FOLDER.search(hit.path.parent.name) is not None


def _said(hit: Hit) -> tuple[float, float]:
    """Return what the user decided: a file of an exported kit comes last, then the mark counts."""
    return float(hit.exported), float(MARK_RANK[hit.mark])


def _origin_words(origin: Origin, keep: Hit, other: Hit) -> list[str]:
    """Return what the other copy has lost, the surest first."""
    if origin.order <= 0:
        return []
    signs = sorted((s for s in origin.signs if s.weight > 0), key=lambda sign: -sign.weight)
    return [LOSS_WORDS[sign.loss](sign.amount, keep, other) for sign in signs]


def _rounded(gain_db: float, keep: Hit, other: Hit) -> str:
    level = ""
    if abs(gain_db) >= LEVEL_DB:
        level = f"turned {'down' if gain_db < 0 else 'up'} by {abs(gain_db):.0f} dB and "
    bits, less = BITS.get(keep.subtype, 0), BITS.get(other.subtype, 0)
    if bits > less > 0:
        own = "float" if bits == BITS["FLOAT"] else f"{bits}-bit"
        return f"{own}, the other was {level}rounded to {less} bits"
    return f"the other was {level}rounded again"


def _seconds(length_s: float) -> str:
    return f"{length_s:.1f} s" if length_s >= 0.1 else f"{1000 * length_s:.0f} ms"


LOSS_WORDS: Mapping[Loss, Callable[[float, Hit, Hit], str]] = {
    Loss.LOSSY: lambda amount, keep, other: "not lossy",
    Loss.ROUNDED: _rounded,
    Loss.BANDWIDTH: lambda hz, keep, other: f"the other ends at {hz / 1000:.0f} kHz",
    Loss.RATE: lambda hz, keep, other: f"the other was converted up from {hz / 1000:g} kHz",
    Loss.CHANNEL: lambda amount, keep, other: "stereo",
    Loss.START: lambda s, keep, other: f"the start of the other is cut by {_seconds(s)}",
    Loss.TAIL: lambda s, keep, other: f"{_seconds(s)} more tail",
    Loss.FADE: lambda db, keep, other: "the other is faded out",
    Loss.SILENCE: lambda s, keep, other: f"the other has {_seconds(s)} of silence added",
    Loss.DYNAMICS: lambda db, keep, other: f"the peaks of the other are {db:.0f} dB lower",
    Loss.LOW_CUT: lambda db, keep, other: "the low end of the other was removed",
    Loss.NOISE: lambda db, keep, other: "the other has more noise",
    Loss.PROCESSED: lambda amount, keep, other: "the other was processed",
}


def find_damage(keep: Hit) -> str:
    """Return why the file of a hit must not be kept as the only one, "" if it is intact."""
    try:
        is_intact = hash_file(keep.path, keep.mate) == keep.content_hash
    except OSError as err:
        return f"{keep.path}, which would be kept, cannot be read ({err.strerror}); scan again"
    return "" if is_intact else f"{keep.path}, which would be kept, has changed; {SCAN_AGAIN}"


def find_same_file(keep: Hit, other: Hit) -> str:
    """Return why a copy is no second file: it is the first one under another name."""
    try:
        is_same = any(os.path.samefile(a, b) for a in keep.files for b in other.files)
    except OSError:
        return ""  # a missing copy is reported where it is moved
    return f"is the same file as {keep.path} under another name" if is_same else ""
