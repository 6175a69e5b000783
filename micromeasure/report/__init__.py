"""Plates, plots and the report page."""
