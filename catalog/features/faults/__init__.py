"""Find recording faults of a stroke: each with a value, a time and a weight."""

from catalog.features.faults.kinds import FAULT_KINDS, Fault, FaultKind, shift_faults

__all__ = ["FAULT_KINDS", "Fault", "FaultKind", "shift_faults"]
