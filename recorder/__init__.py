"""From sensors in the air to one Parquet file: clock, radio, journal. Imports analysis, never the simulation."""
