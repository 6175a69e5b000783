"""Carrying jobs out: workers, the ledger, resuming, progress."""
