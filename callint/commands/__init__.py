"""One module a subcommand: parse, call, report, exit status."""

from __future__ import annotations

#: The commands in the order of a working day. Each lives in a module of its name, or in one of MODULES where
#: Python keeps the name for itself.
COMMANDS = {
    "demo": "write the fictional repository and walk through check and diff",
    "init": "set a repository up: policy, drivers, commit hook",
    "import": "make a definition of an ASAM MCD-2 MC (ASAP2) description",
    "check": "check images and definitions",
    "diff": "show what changed between two images, in engineering units",
    "review": "write a page for a browser, to read a change before signing it off",
    "show": "print the tables of an image",
    "whatif": "say what a false reading of a signal does to every table",
    "history": "say which commit last set each cell of an image",
    "merge": "merge two reworks of one image, cell by cell",
    "carry": "carry a rework over to other software",
    "waive": "accept a finding, in writing",
    "seal": "compute the stored checksums anew",
    "rules": "explain the rules",
    "schema": "print a schema, for editors and other programs",
    "completion": "print a script that has a shell complete command lines",
}

MODULES = {"import": "import_"}
