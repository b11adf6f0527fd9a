"""Traces from outside: generators that share nothing with the simulated bench, and what they test.

Nothing in this package imports ``breakerbench.bench``. Every trace made here is simulated.
"""
