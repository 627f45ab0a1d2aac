"""Suggests axes, curves and maps in bytes that no definition describes, each with its evidence."""
