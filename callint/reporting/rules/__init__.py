"""The pages of the rules."""
