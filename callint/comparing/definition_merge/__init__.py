"""Merges two versions of a definition file with their common base, by element and attribute.

The three files are trees with all their bytes (``reading/xml_source.py``). The merge edits the tree of ours:
what it does not touch stays byte for byte. Elements of the three files are matched by what identifies them
(``keys``), values are compared by what they mean (``schema``).
"""
