"""Runs the rules over images: loads, chooses bases, applies the policy, compares states."""
