"""Reports about two software versions: valid documents and lines that fit, whatever the images hold."""

from __future__ import annotations

import io
import json

from hypothesis import given

from callint.comparing.softwares.carried_change import compare_carried
from callint.comparing.softwares.compare import compare_softwares
from callint.reporting.carried_change.json import carried_change_document
from callint.reporting.carried_change.text import print_carried_change
from callint.reporting.softwares.json import software_changes_document
from callint.reporting.softwares.text import print_software_change, print_software_statistics
from callint.reporting.terminal import console
from tests.example_counts import property_examples
from tests.properties.strategies import Reference, pairs
from tests.properties.test_softwares import relocated
from tests.running import steering, too_wide, valid

NAMES = ("old.bin", "new.bin")


@property_examples
@given(pairs())
def test_a_comparison_of_versions_is_a_valid_document_and_fits_a_terminal(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    change = compare_softwares(reference.decoded(base), relocated(reference, rework))
    document = software_changes_document(change, NAMES, ("old.xml", "new.xml"))
    valid(json.loads(json.dumps(document, allow_nan=False)), "software-changes.schema.json")
    for printer in (print_software_change, print_software_statistics):
        stream = io.StringIO()
        printer(change, console(stream))
        assert not too_wide(stream.getvalue())
        assert not steering(stream.getvalue())
        assert bool(stream.getvalue()) is not change.is_silent


@property_examples
@given(pairs())
def test_a_comparison_of_changes_is_a_valid_document_and_fits_a_terminal(
    pair: tuple[Reference, bytes, bytes],
) -> None:
    reference, base, rework = pair
    new_base = relocated(reference, base)
    change = compare_carried((reference.decoded(base), reference.decoded(rework)), (new_base, new_base))
    document = carried_change_document(change, (*NAMES, *NAMES), ("old.xml", "new.xml"))
    valid(json.loads(json.dumps(document, allow_nan=False)), "carried-change.schema.json")
    stream = io.StringIO()
    print_carried_change(change, *NAMES, console(stream))
    assert not too_wide(stream.getvalue())
    assert not steering(stream.getvalue())
