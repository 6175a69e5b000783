"""Calibrations: the file, the scale from rulings and grids, edge offset, history."""
