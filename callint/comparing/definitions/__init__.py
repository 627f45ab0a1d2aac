"""Compares two definitions by what they mean: how values are read, and what is asked of them."""
