"""Specimen means, differences, equivalence, repeatability studies."""
