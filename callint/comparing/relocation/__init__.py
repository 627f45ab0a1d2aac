"""Finds the items of one software in the image of a sibling, as an alignment of two sequences of bytes."""
