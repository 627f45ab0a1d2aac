"""Files into nouns."""
