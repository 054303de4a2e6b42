"""The published shapes: stamped, checked, every difference named."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from riskmodel.errors import SchemaError
from riskmodel.schema import KINDS, Kind, Variable, check, define, stamp


def readings(count: int = 3) -> xr.Dataset:
    values = {
        "section_index": np.arange(count),
        "section": np.array(["A"] * count, dtype=str),
        "age": np.linspace(1.0, 9.0, count),
        "index": np.full(count, 80.0),
        "z": np.full(count, -14.7),
        "status": np.array(["used"] * count, dtype=str),
    }
    return xr.Dataset({name: ("reading", column) for name, column in values.items()})


@pytest.mark.parametrize("count", [0, 3])
def test_a_stamped_dataset_passes(count: int) -> None:
    check(stamp(readings(count), "readings"), "readings")


def test_stamp_copies_and_labels() -> None:
    raw = readings()
    out = stamp(raw, "readings")
    assert out["age"].attrs == {"units": "year", "long_name": "age at the survey"}
    assert out.attrs == {"kind": "readings", "schema": 1}
    assert raw.attrs == {}
    assert raw["age"].attrs == {}


def test_stamp_keeps_what_the_kind_does_not_list() -> None:
    raw = readings().assign(air=("reading", np.ones(3), {"units": "percent"}))
    assert stamp(raw, "readings")["air"].attrs == {"units": "percent"}


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda ds: ds.drop_vars("z"), "`z` is missing, expected float on"),
        (lambda ds: ds.assign(z=ds["z"].astype(int)), "`z` holds int64, expected float"),
        (lambda ds: ds.assign(age=ds["age"].assign_attrs(units="month")), "`age` has units 'month', expected 'year'"),
        (lambda ds: ds.assign(age=ds["age"].rename(reading="row")), r"`age` lies on \('row',\), expected"),
        (lambda ds: ds.assign(crew=("reading", np.ones(3))), "`crew` on .* is not part of this kind"),
        (lambda ds: ds.assign_attrs(kind="sections"), r"attrs\['kind'\] is 'sections', expected 'readings'"),
        (lambda ds: ds.assign_attrs(schema=9), r"attrs\['schema'\] is 9, expected 1"),
    ],
)
def test_each_difference_is_named(change, match: str) -> None:
    with pytest.raises(SchemaError, match=match):
        check(change(stamp(readings(), "readings")), "readings")


def test_all_differences_come_in_one_message() -> None:
    with pytest.raises(SchemaError) as error:
        check(readings().drop_vars(["z", "status"]), "readings")
    for part in ("`z` is missing", "`status` is missing", "attrs['kind']", "`age` has units None"):
        assert part in str(error.value)


@pytest.fixture
def trial():
    """A kind of this test alone."""
    kind = Kind(
        "trial_kind",
        coords={"road": Variable(("road",), "text", "", "road")},
        variables={"length": Variable(("road",), "float", "m", "length", optional=True)},
        extra=(("road",),),
    )
    yield define(kind)
    del KINDS["trial_kind"]


def trial_dataset(**extra) -> xr.Dataset:
    return stamp(xr.Dataset(extra, coords={"road": ["N1", "N2"]}), "trial_kind")


def test_a_further_kind_needs_one_definition(trial: Kind) -> None:
    check(trial_dataset(), "trial_kind")
    check(trial_dataset(length=("road", [1.0, 2.0])), "trial_kind")


@pytest.mark.parametrize(
    ("values", "attrs", "match"),
    [
        ([1.0, 2.0], {}, "`lanes` has no units"),
        ([1, 2], {"units": "1"}, "`lanes` holds int64, expected float"),
    ],
)
def test_extra_variables_are_labelled_numbers(trial: Kind, values, attrs, match: str) -> None:
    with pytest.raises(SchemaError, match=match):
        check(trial_dataset(lanes=("road", values, attrs)), "trial_kind")


def test_labels_are_unique(trial: Kind) -> None:
    ds = stamp(xr.Dataset(coords={"road": ["N1", "N1"]}), "trial_kind")
    with pytest.raises(SchemaError, match="`road` repeats labels"):
        check(ds, "trial_kind")


def test_a_kind_is_published_once(trial: Kind) -> None:
    define(trial)
    with pytest.raises(SchemaError, match="`trial_kind` is a published kind already"):
        define(Kind("trial_kind", coords={}, variables={}))


def test_unknown_kind_is_refused() -> None:
    with pytest.raises(SchemaError, match="`reading` is no published kind; expected one of"):
        check(readings(), "reading")
    with pytest.raises(SchemaError, match="`reading` is no published kind"):
        stamp(readings(), "reading")
