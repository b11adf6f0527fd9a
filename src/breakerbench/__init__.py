"""Breakerbench: a bench tester for contact-breaker ignition distributors."""
