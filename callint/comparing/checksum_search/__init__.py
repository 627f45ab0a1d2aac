"""Finds the checksums of images of unknown software."""
