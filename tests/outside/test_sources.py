"""Values that tests and benchmarks quote from memory of a publication, against libraries that carry it.

What no registry carries stays from memory and is named where it stands: the schema of ASAM CDF 2.0 above its
containers of values, the example of the M68000 Programmer's Reference Manual, and the coefficients of a
typical friction pressure.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from pathlib import Path

import autosar_data
import numpy as np
import pytest
import thermocouples
from fluids import ATMOSPHERE_1976
from fluids.friction import Colebrook, Swamee_Jain_1976
from lxml import etree

from benchmarks import shapes
from callint.reporting.files import destinations
from tests.outside.test_demo_physics import STANDARD_ATMOSPHERE, TYPE_K, type_k_millivolts
from tests.outside.test_records import read, read_by_bincopy
from tests.test_cdfx import BASE, REWORK, instances, written

RANDOM = np.random.default_rng(0)

#: Mean radius of the earth in m by which the U.S. Standard Atmosphere 1976 converts altitudes.
EARTH = 6_356_766.0


def geometric(altitude: float) -> float:
    """The geometric altitude in m of a geopotential one (U.S. Standard Atmosphere 1976, equation 19)."""
    return altitude * EARTH / (EARTH - altitude)


@pytest.mark.parametrize("degrees", TYPE_K)
def test_the_type_k_table_and_function_are_those_of_thermocouples(degrees: int) -> None:
    published = 1000 * thermocouples.get_thermocouple("K").temp_to_volt(float(degrees))
    assert TYPE_K[degrees] == pytest.approx(published, abs=0.00051)
    assert type_k_millivolts(float(degrees)) == pytest.approx(published, abs=1e-5)


@pytest.mark.parametrize("altitude", STANDARD_ATMOSPHERE)
def test_the_standard_atmosphere_is_that_of_fluids(altitude: int) -> None:
    published = ATMOSPHERE_1976(geometric(altitude)).P / 100
    assert STANDARD_ATMOSPHERE[altitude] == pytest.approx(published, abs=0.0051)


def test_the_pressure_shape_is_the_standard_atmosphere_of_fluids() -> None:
    shape = shapes._atmosphere(RANDOM)
    published = [ATMOSPHERE_1976(geometric(altitude)).P / 100 for altitude in shape.x.tolist()]
    assert shape.values[0] == pytest.approx(published, rel=1e-4)


def test_the_thermocouple_shape_is_straight_between_points_of_thermocouples() -> None:
    shape = shapes._thermocouple(RANDOM)
    volts = [1000 * thermocouples.get_thermocouple("K").temp_to_volt(t) for t in np.arange(0, 1001, 100.0)]
    assert shape.values[0] == pytest.approx(np.interp(shape.x, volts, np.arange(0, 1001, 100.0)), abs=0.02)


def test_the_viscosity_shape_is_sutherlands_formula_of_fluids() -> None:
    shape = shapes._viscosity(RANDOM)
    published = [1e6 * ATMOSPHERE_1976.viscosity(celsius + 273.15) for celsius in shape.x.tolist()]
    assert shape.values[0] == pytest.approx(published, rel=1e-4)


def test_the_pipe_shape_is_swamee_and_jains_form_of_fluids_and_near_colebrooks_equation() -> None:
    shape = shapes._pipe(RANDOM)
    assert shape.y is not None
    for roughness, row in zip(shape.y.tolist(), shape.values.tolist(), strict=True):
        numbers = shape.x.tolist()
        assert row == pytest.approx([Swamee_Jain_1976(number, roughness) for number in numbers], rel=5e-3)
        assert row == pytest.approx([Colebrook(number, roughness) for number in numbers], rel=5e-2)


def test_the_example_of_the_manual_page_on_s_records() -> None:
    # srec_motorola(5) of Debian's package srecord, version 1.64, section EXAMPLE.
    example = b"S00600004844521B\nS110000048656C6C6F2C20576F726C640A9D\nS5030001FB\nS9030000FC\n"
    assert read(example) == read_by_bincopy(example) == {0: b"Hello, World\n"}


def containers(element: etree._Element, published: autosar_data.Element) -> Iterator[str]:
    """The children of an element that its published type does not allow, or allows in another order."""
    allowed = [str(child.element_name) for child in published.list_valid_sub_elements()]
    names = [etree.QName(child).localname for child in element]
    places = [allowed.index(name) for name in names if name in allowed]
    tag = etree.QName(element).localname
    yield from (f"{tag}/{name}" for name in names if name not in allowed)
    if places != sorted(places):
        yield f"{tag}: {names}"
    for name, child in zip(names, element, strict=True):
        if name in allowed and len(child):
            yield from containers(child, published.create_sub_element(name))


def test_containers_of_values_are_those_that_autosar_publishes() -> None:
    # CDF 2.0 and AUTOSAR share these elements of MSR-SW; autosar-data carries the schema of AUTOSAR. There an
    # axis refers to a shared one in another way, and a value has its own instance.
    model = autosar_data.AutosarModel()
    model.create_file("constants.arxml")
    package = model.root_element.create_sub_element("AR-PACKAGES").create_named_sub_element("AR-PACKAGE", "p")
    unlike = set()
    for number, instance in enumerate(instances(written(BASE, REWORK)).values()):
        constants = package.get_or_create_sub_element("ELEMENTS")
        constant = constants.create_named_sub_element("CONSTANT-SPECIFICATION", f"c{number}")
        value = constant.create_sub_element("VALUE-SPEC").create_sub_element(
            "APPLICATION-VALUE-SPECIFICATION"
        )
        for name in ("SW-AXIS-CONTS", "SW-VALUE-CONT"):
            content = instance.find(name)
            if content is not None:
                unlike |= set(containers(content, value.create_sub_element(name)))
    assert unlike == {"SW-AXIS-CONT/SW-INSTANCE-REF"}


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("repository")
    subprocess.run(["git", "init", "-q", folder], check=True)
    return folder


def takes(repository: Path, *paths: str) -> bool:
    """Whether git takes all paths into its index, with the protection of all file systems switched on."""
    protections = ["-c", "core.protectHFS=true", "-c", "core.protectNTFS=true"]
    entries = [part for path in paths for part in ("--cacheinfo", f"100644,{'0' * 39}1,{path}")]
    run = subprocess.run(
        ["git", "-C", repository, *protections, "update-index", "--add", *entries],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 0 or "Invalid path" in run.stderr, run.stderr
    return run.returncode == 0


def test_characters_that_hide_in_a_name_are_those_that_git_ignores(repository: Path) -> None:
    hidden = {code for code in destinations._IGNORED if not takes(repository, f".g{chr(code)}it/config")}
    assert hidden == set(destinations._IGNORED)
    others = {*range(0x2000, 0x2080), *range(0xFE00, 0xFF00)} - hidden
    assert takes(repository, *(f".g{chr(code)}it/config" for code in others))


def test_other_names_of_gits_folder_are_those_that_git_refuses(repository: Path) -> None:
    assert [name for name in destinations._GIT_NAMES if takes(repository, f"{name}/config")] == []
    assert takes(repository, "git~2/config")
