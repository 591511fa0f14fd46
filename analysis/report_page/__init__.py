"""The report as one self-contained page: shows what was computed elsewhere, and fetches nothing."""
