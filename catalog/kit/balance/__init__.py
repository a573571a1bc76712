"""A kit weighed: how its toms are tuned, where its slots cover each other, how two kits differ."""

from catalog.kit.balance.compare import KitComparison, SlotComparison, compare_kits
from catalog.kit.balance.masking import Clashes, find_clashes
from catalog.kit.balance.tuning import Interval, TuningProposal, propose_tuning, tom_intervals

__all__ = [
    "Clashes",
    "Interval",
    "KitComparison",
    "SlotComparison",
    "TuningProposal",
    "compare_kits",
    "find_clashes",
    "propose_tuning",
    "tom_intervals",
]
