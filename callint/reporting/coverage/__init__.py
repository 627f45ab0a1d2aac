"""How much of a memory a definition describes."""
