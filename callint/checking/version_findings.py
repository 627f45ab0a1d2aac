"""The findings that images of two software versions have in common."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from callint.checking.new_findings import Key
from callint.model.finding import Finding


def version_key(renames: Mapping[str, str] | None = None) -> Callable[[Finding], Key]:
    """The key by which findings about two software versions are the same.

    The tables lie elsewhere and have another definition, so addresses, cells and contents do not count. The
    rule, the table, the operating point, the value and the message count: the message gives the value and the
    demand that it breaks. ``renames`` has the new names of the tables of the older version.
    """
    names = {} if renames is None else renames
    pattern = re.compile(r"\b(?:" + "|".join(map(re.escape, names)) + r")\b") if names else None

    def key(finding: Finding) -> Key:
        table, other = (names.get(name, name) for name in (finding.table, finding.other))
        texts = (finding.message, "" if finding.table else finding.subject)
        if pattern is not None:
            message = pattern.sub(lambda match: names[match[0]], texts[0])
            texts = message, texts[1]
        return finding.rule, table, other, finding.place, finding.physical, *texts

    return key
