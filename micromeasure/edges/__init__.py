"""Sub-pixel edges, sampled profiles, lines and arcs through points, with standard errors."""
