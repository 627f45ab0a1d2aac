"""The XML elements of a definition into dataclasses: one module per subject."""
