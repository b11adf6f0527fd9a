"""The simulated bench: a distributor, a drive, a board, and the truth of what they do."""

from breakerbench.bench.model import Bench
from breakerbench.bench.simulated import Simulated, simulate

__all__ = ["Bench", "Simulated", "simulate"]
