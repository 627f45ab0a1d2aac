"""Whole tables of one image."""
