"""Findings in every format."""
