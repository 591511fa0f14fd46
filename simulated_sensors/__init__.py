"""Simulated riders, meters and their radio, so that the whole product runs without hardware."""
