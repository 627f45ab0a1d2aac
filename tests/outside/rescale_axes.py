"""The breakpoints of rescale axes by the published package pya2ldb, as a JSON list; a program of its own.

It runs in a process of its own, because importing it changes how Python reports errors.
"""

from __future__ import annotations

import json
import sys

from pya2l.functions import axis_rescale

if __name__ == "__main__":
    results = [
        axis_rescale(len(axis), count, axis, virtual).tolist()
        for axis, virtual, count in json.load(sys.stdin)
    ]
    json.dump(results, sys.stdout)
