"""The nouns, as frozen dataclasses; this package reads and writes nothing."""
