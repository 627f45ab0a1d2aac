"""Compares decoded images, merges them, and applies changes to them."""
