"""The ledger: every recording kept, and what all of them together tell of each unit."""
