"""Wrap templates: the cut line of a liner unrolled at 1:1, as a strip for a plotter and as pages that are taped."""
