"""What is wrong with a recorded stroke: each fault with a number, a place in time and a weight."""

from catalog.features.faults.detect import find_faults, find_raw_peak
from catalog.features.faults.kinds import FAULT_KINDS, Fault, FaultKind, shift_faults

__all__ = ["FAULT_KINDS", "Fault", "FaultKind", "find_faults", "find_raw_peak", "shift_faults"]
