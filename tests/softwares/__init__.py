"""Comparisons of images of two software versions."""
