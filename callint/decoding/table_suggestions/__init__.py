"""Says what may lie in bytes that no definition describes: axes, curves and maps, each with its evidence."""
