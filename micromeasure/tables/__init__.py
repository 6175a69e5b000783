"""Rows, CSV and the data package: the only writer of result files."""
