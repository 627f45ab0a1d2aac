"""Definitions as XML."""
