"""Whether pairs of hits are copies: by equal bytes, earlier decisions or the samples."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool

from catalog.audio.model import Audio
from catalog.errors import CatalogError
from catalog.library.store.records.cache import Decision, DecisionCache
from catalog.matching.verdict import Classification, classify_pair
from catalog.matching.views import ChannelViews, prepare_views
from catalog.models import Hit, Verdict

MAX_PREPARED = 1024  # hits in memory, about 230 kB each and three times that in stereo
MAX_LOGIT = 99.0  # replaces infinity, which JSON cannot represent
Prepare = Callable[[Hit], ChannelViews | None]
ClassifyMany = Callable[[Sequence[tuple[Hit, Hit]]], Iterator[Classification | None]]


def make_readers(read: Callable[[Hit], Audio]) -> tuple[Callable[[Hit], Audio | None], Prepare]:
    """Return functions that read a hit, and prepare it to be compared; None if it cannot be."""

    def read_or_none(hit: Hit) -> Audio | None:
        try:
            return read(hit)
        except CatalogError:
            return None  # missing or damaged since the scan; the next scan lists it

    def prepare(hit: Hit) -> ChannelViews | None:
        audio = read_or_none(hit)
        try:
            return None if audio is None else prepare_views(audio)
        except CatalogError:
            return None  # it holds no stroke

    return read_or_none, prepare


class PairDecider:
    """Decide whether pairs of hits are copies: by equal bytes, earlier decisions or the samples.

    Parameters
    ----------
    prepare : callable, returns the samples of a hit ready to be compared, None if unavailable
    decisions : DecisionCache, optional, from earlier runs; new ones are added
    classify_many : callable, optional, classifies many pairs in order, faster than one by one
    """

    def __init__(
        self,
        prepare: Prepare,
        decisions: DecisionCache | None = None,
        classify_many: ClassifyMany | None = None,
    ) -> None:
        self.decisions = decisions if decisions is not None else DecisionCache()
        self._prepare = prepare
        self._classify_many = classify_many
        self._prepared: dict[int, ChannelViews | None] = {}

    def decide(self, first: Hit, second: Hit) -> Decision:
        """Decide on one pair."""
        stored = self._stored_decision(first, second)
        if stored is not None:
            return stored
        a, b = self._views(first), self._views(second)
        return self._store(first, second, None if a is None or b is None else classify_pair(a, b))

    def decide_many(self, pairs: Sequence[tuple[Hit, Hit]]) -> Iterator[Decision]:
        """Decide on many pairs, in order."""
        if self._classify_many is None:
            yield from (self.decide(*pair) for pair in pairs)
            return
        stored = [self._stored_decision(*pair) for pair in pairs]
        undecided = [pair for pair, decision in zip(pairs, stored, strict=True) if decision is None]
        results = self._classify_many(undecided)
        for pair, decision in zip(pairs, stored, strict=True):
            if decision is None:
                try:
                    decision = self._store(*pair, next(results))
                except BrokenProcessPool:  # usually out of memory: continue one by one
                    results, decision = iter(()), self.decide(*pair)
                except StopIteration:
                    decision = self.decide(*pair)
            yield decision

    def _stored_decision(self, first: Hit, second: Hit) -> Decision | None:
        if content_key(first) == content_key(second):
            return Decision(Verdict.COPY, 1.0, MAX_LOGIT)
        return self.decisions.get(first, second)

    def _store(self, first: Hit, second: Hit, result: Classification | None) -> Decision:
        if result is None:  # not stored, because a missing file may return
            return Decision(Verdict.OTHER, 0.0, -MAX_LOGIT)
        logit = min(max(float(result.logit), -MAX_LOGIT), MAX_LOGIT)
        decision = Decision(result.verdict, result.share, logit)
        self.decisions.add(first, second, decision)
        return decision

    def _views(self, hit: Hit) -> ChannelViews | None:
        if hit.id not in self._prepared:
            if len(self._prepared) >= MAX_PREPARED:
                self._prepared.pop(next(iter(self._prepared)))
            self._prepared[hit.id] = self._prepare(hit)
        return self._prepared[hit.id]


def content_key(hit: Hit) -> tuple[object, ...]:
    """Return what two hits of equal bytes and region have in common."""
    return hit.content_hash, hit.start, hit.stop, hit.channels
