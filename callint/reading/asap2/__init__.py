"""Descriptions in the standard ASAM MCD-2 MC (ASAP2) into definitions."""
