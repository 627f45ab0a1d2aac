"""Definitions beside each other."""
