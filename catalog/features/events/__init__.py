"""What a recording holds if it is no single stroke: a roll, a swell, a loop, a voice, noise."""

from catalog.features.events.judge import FoundEvent, find_loop, judge_hit
from catalog.features.events.runs import merge_events

__all__ = ["FoundEvent", "find_loop", "judge_hit", "merge_events"]
