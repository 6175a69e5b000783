"""Calibrated measurements with stated uncertainty from folders of micrographs."""

__version__ = "0.1.0"
