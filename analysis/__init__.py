"""What a recording means: bytes to values, rows to samples, samples to figures. No clock, no radio."""
