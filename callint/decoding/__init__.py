"""Decodes images into arrays by their definitions, and encodes arrays back."""
