"""Findings and changes into text and data."""
