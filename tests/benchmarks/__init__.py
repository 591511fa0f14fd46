"""Benchmarks: run by hand, each prints its own anchors; nothing here is part of the test suite."""
