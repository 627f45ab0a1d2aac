"""Differences between images of two software versions."""
