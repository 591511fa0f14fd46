"""Experiments of minutes; each has a small version in the test suite."""
