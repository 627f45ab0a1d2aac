"""One module per subcommand: parse, call, report, exit status."""

from __future__ import annotations

#: The commands in the order of a working day. Each is in a module of its name, or in the one that MODULES
#: names because its own name is a Python keyword.
COMMANDS = {
    "demo": "create a demo repository and run check and diff on it",
    "init": "set up a repository: policy, drivers, commit hook",
    "import": "convert an ASAM MCD-2 MC (ASAP2) description to a definition",
    "export": "convert a definition to an ASAM MCD-2 MC (ASAP2) description",
    "check": "check images and definitions",
    "diff": "show what changed between two images, in engineering units",
    "review": "write an HTML page for reviewing a change before sign-off",
    "explain": "write one page in plain words for the owner of the engine",
    "show": "print the tables of an image",
    "identify": "find the definition that fits an image",
    "coverage": "show which bytes of an image a definition does not describe",
    "checksums": "find the checksums of images of unknown software",
    "whatif": "show what a false signal reading does to every table",
    "history": "show which commit last set each cell of an image",
    "fleet": "compare many images with each other",
    "merge": "merge two reworks of one image, cell by cell",
    "carry": "transfer a rework to another software version",
    "relocate": "find the tables of a definition in another software version",
    "waive": "accept a finding and record the reason",
    "set": "set values in engineering units",
    "apply": "write the values of a spreadsheet or a CDF file",
    "restore": "restore content of the base",
    "seal": "recompute the stored checksums",
    "release": "write a checked and signed release of a committed image",
    "verify": "identify the release of an image, or compare it with the nearest",
    "rules": "explain the rules",
    "schema": "print a schema, for editors and other programs",
    "completion": "print a shell completion script",
}

MODULES = {"import": "import_"}
