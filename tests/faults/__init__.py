"""The fault matrix: each fault really provoked, what is lost counted. `python -m tests.faults` prints the table."""
