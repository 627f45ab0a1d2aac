"""Definitions, images, findings, policies and changes as frozen dataclasses, without any input or output."""
