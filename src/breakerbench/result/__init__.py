"""The tables of a result, one module a group: what was measured, or the reason why it was not."""
