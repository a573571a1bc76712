"""Find recording faults of a stroke: each with a value, a time and a weight."""

from catalog.features.faults.channels import find_raw_peak
from catalog.features.faults.detect import find_faults
from catalog.features.faults.kinds import FAULT_KINDS, Fault, FaultKind, shift_faults

__all__ = ["FAULT_KINDS", "Fault", "FaultKind", "find_faults", "find_raw_peak", "shift_faults"]
