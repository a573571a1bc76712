"""What is wrong with a recorded stroke: each fault with a number, a place in time and a weight."""

from catalog.features.faults.detect import find_faults, find_raw_peak
from catalog.features.faults.kinds import KINDS, Fault, FaultKind, later

__all__ = ["KINDS", "Fault", "FaultKind", "find_faults", "find_raw_peak", "later"]
