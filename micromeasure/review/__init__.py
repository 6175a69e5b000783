"""Decisions of persons about indications and measurements."""
