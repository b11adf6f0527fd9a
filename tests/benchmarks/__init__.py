"""Speed, memory and coverage, printed and never asserted: ``python tests/benchmarks/run.py``."""
