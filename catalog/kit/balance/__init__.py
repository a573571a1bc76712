"""Balance of a kit: tuning of its toms, masking between its slots, and comparison of two kits."""

from catalog.kit.balance.compare import KitComparison, compare_kits
from catalog.kit.balance.masking import Masking, measure_masking
from catalog.kit.balance.pitch import measure_pitches
from catalog.kit.balance.tuning import Interval, TuningProposal, propose_tuning, tom_intervals

__all__ = [
    "Interval", "KitComparison", "Masking", "TuningProposal", "compare_kits", "measure_masking",
    "measure_pitches", "propose_tuning", "tom_intervals",
]  # fmt: skip
