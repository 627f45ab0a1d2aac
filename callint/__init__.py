"""callint: a linter and diff tool for engine calibrations under version control.

Notebooks, scripts and servers work with the names in ``__all__``; docs/python.md explains them. Each is
imported when it is first used, so that the command line starts without them.
"""

from typing import TYPE_CHECKING

__version__ = "0.1.0"

__all__ = [
    "CalibrationDefinition",
    "CalibrationImage",
    "CalibrationTable",
    "CallintError",
    "ChangedTable",
    "CheckPolicy",
    "CheckReport",
    "ComparedTable",
    "Finding",
    "ImageChanges",
    "InputError",
    "MissingLibraryError",
    "Severity",
    "SoftwareChanges",
    "__version__",
    "check",
    "diff",
    "load_definition",
    "load_policy",
    "read_image",
    "tables",
]

if TYPE_CHECKING:
    from callint.api.changes import ChangedTable, ImageChanges, diff
    from callint.api.definition import CalibrationDefinition, load_definition
    from callint.api.image import CalibrationImage, read_image
    from callint.api.policy import CheckPolicy, load_policy
    from callint.api.report import CheckReport, check
    from callint.api.softwares import ComparedTable, SoftwareChanges
    from callint.api.table import CalibrationTable, tables
    from callint.model.errors import CallintError, InputError, MissingLibraryError
    from callint.model.finding import Finding, Severity
else:
    _MODULES = {
        "CalibrationDefinition": "callint.api.definition",
        "CalibrationImage": "callint.api.image",
        "CalibrationTable": "callint.api.table",
        "CallintError": "callint.model.errors",
        "ChangedTable": "callint.api.changes",
        "CheckPolicy": "callint.api.policy",
        "CheckReport": "callint.api.report",
        "ComparedTable": "callint.api.softwares",
        "Finding": "callint.model.finding",
        "ImageChanges": "callint.api.changes",
        "InputError": "callint.model.errors",
        "MissingLibraryError": "callint.model.errors",
        "Severity": "callint.model.finding",
        "SoftwareChanges": "callint.api.softwares",
        "check": "callint.api.report",
        "diff": "callint.api.changes",
        "load_definition": "callint.api.definition",
        "load_policy": "callint.api.policy",
        "read_image": "callint.api.image",
        "tables": "callint.api.table",
    }

    def __getattr__(name):
        if name not in _MODULES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module

        value = globals()[name] = getattr(import_module(_MODULES[name]), name)
        return value

    def __dir__():
        return sorted({*globals(), *__all__})
