"""Hostile use of the real binary, as campaigns of cases: see `tests/break/run`."""
