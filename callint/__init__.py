"""callint: a linter and diff tool for engine calibrations under version control."""

__version__ = "0.1.0"
