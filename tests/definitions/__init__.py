"""Comparisons of definitions."""
