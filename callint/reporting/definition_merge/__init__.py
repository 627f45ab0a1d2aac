"""The conflicts of a merge of definitions."""
