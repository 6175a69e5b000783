"""Candidate crack indications at fold lines: finding, tracing, scoring and measuring them."""
