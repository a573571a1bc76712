"""A kit weighed: how its toms are tuned, where its slots cover each other, how two kits differ."""

from catalog.kit.balance.compare import KitComparison, SlotComparison, compare_kits
from catalog.kit.balance.masking import Masking, measure_masking
from catalog.kit.balance.tuning import Interval, TuningProposal, propose_tuning, tom_intervals

__all__ = [
    "Interval",
    "KitComparison",
    "Masking",
    "SlotComparison",
    "TuningProposal",
    "compare_kits",
    "measure_masking",
    "propose_tuning",
    "tom_intervals",
]
