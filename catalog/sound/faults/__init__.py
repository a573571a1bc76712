"""What is wrong with a recorded stroke: each fault with a number, a place in time and a weight."""

from catalog.sound.faults.find import find_faults
from catalog.sound.faults.kinds import KINDS, Fault, FaultKind, later
from catalog.sound.faults.take import find_raw_peak

__all__ = ["KINDS", "Fault", "FaultKind", "find_faults", "find_raw_peak", "later"]
