"""Waivers for people and for the policy."""
