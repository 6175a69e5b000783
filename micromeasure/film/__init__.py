"""Layers in a cross-section: finding the stack, fitting its edges, local thickness."""
