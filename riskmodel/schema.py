"""Published shapes of the labelled data that travel between modules: dims, variables, units.

A `Kind` lists what an `xarray.Dataset` of that kind holds. `stamp` writes the labels, `check`
compares a dataset with its kind and names every difference at once. A further kind is one more
`Kind(...)`, here in the list at the end or put in by its own module with `define`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from riskmodel.errors import SchemaError

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["KINDS", "Kind", "Variable", "check", "define", "stamp"]

Holds = Literal["float", "int", "bool", "text"]
_CODES: Mapping[Holds, str] = {"float": "f", "int": "iu", "bool": "b", "text": "UOT"}


@dataclass(frozen=True)
class Variable:
    """One variable or coordinate of a kind.

    Parameters
    ----------
    dims : tuple of str
        Dimension names in order.
    holds : {"float", "int", "bool", "text"}
        What a value is.
    unit : str
        Unit as written into `attrs["units"]`; "1" for a plain number, "" for text.
    long_name : str
        The quantity in words.
    optional : bool
        Whether the variable may be absent.
    """

    dims: tuple[str, ...]
    holds: Holds
    unit: str
    long_name: str
    optional: bool = False


@dataclass(frozen=True)
class Kind:
    """What a dataset of one kind holds.

    Parameters
    ----------
    name : str
        Name of the kind, kept in `attrs["kind"]`.
    coords, variables : mapping of str to Variable
        Required and optional members.
    extra : tuple of tuple of str
        Dims on which further float variables are welcome; each must carry its unit.
    schema : int
        Number of this published shape, kept in `attrs["schema"]`; raised when the shape changes.
    """

    name: str
    coords: Mapping[str, Variable]
    variables: Mapping[str, Variable]
    extra: tuple[tuple[str, ...], ...] = field(default=())
    schema: int = 1

    @property
    def members(self) -> dict[str, Variable]:
        """Coordinates and variables together."""
        return {**self.coords, **self.variables}


KINDS: dict[str, Kind] = {}


def define(kind: Kind) -> Kind:
    """Publish a kind.

    Raises
    ------
    SchemaError
        If another shape of that name and number is published already.
    """
    if KINDS.get(kind.name, kind) != kind:
        raise SchemaError(f"`{kind.name}` is a published kind already. Choose another name or raise its schema number.")
    KINDS[kind.name] = kind
    return kind


def stamp(ds: xr.Dataset, kind: str) -> xr.Dataset:
    """Copy of `ds` with the units and long names of its kind, the kind's name and schema number.

    Variables that the kind does not list keep their own attrs.

    Raises
    ------
    SchemaError
        If the kind is not published.
    """
    shape = _kind(kind)
    out = ds.copy()
    for name, variable in shape.members.items():
        if name in out.variables:
            out[name].attrs = {**out[name].attrs, "units": variable.unit, "long_name": variable.long_name}
    out.attrs = {**out.attrs, "kind": kind, "schema": shape.schema}
    return out


def check(ds: xr.Dataset, kind: str) -> None:
    """Compare a dataset with its published kind.

    Raises
    ------
    SchemaError
        Naming every difference: kind, schema number, missing or unknown variables, dims, what the
        values are, units, repeated labels.
    """
    found = list(_differences(ds, _kind(kind)))
    if found:
        lines = "\n".join(f"- {line}" for line in found)
        raise SchemaError(f"the dataset is not of kind `{kind}`:\n{lines}")


def _kind(name: str) -> Kind:
    if name not in KINDS:
        raise SchemaError(f"`{name}` is no published kind; expected one of {', '.join(sorted(KINDS))}.")
    return KINDS[name]


def _differences(ds: xr.Dataset, kind: Kind) -> Iterator[str]:
    if ds.attrs.get("kind") != kind.name:
        yield f"attrs['kind'] is {ds.attrs.get('kind')!r}, expected {kind.name!r}; stamp it"
    if ds.attrs.get("schema") != kind.schema:
        yield f"attrs['schema'] is {ds.attrs.get('schema')!r}, expected {kind.schema}"
    for name, variable in kind.members.items():
        if name in ds.variables:
            yield from _of_variable(ds, name, variable)
        elif not variable.optional:
            yield f"`{name}` is missing, expected {variable.holds} on {variable.dims}"
    for name in map(str, ds.variables):
        if name not in kind.members:
            yield from _of_extra(ds, name, kind)


def _of_variable(ds: xr.Dataset, name: str, variable: Variable) -> Iterator[str]:
    array = ds[name]
    if array.dims != variable.dims:
        yield f"`{name}` lies on {array.dims}, expected {variable.dims}"
    if array.dtype.kind not in _CODES[variable.holds]:
        yield f"`{name}` holds {array.dtype}, expected {variable.holds}"
    if array.attrs.get("units") != variable.unit:
        yield f"`{name}` has units {array.attrs.get('units')!r}, expected {variable.unit!r}"
    if array.dims == (name,) and not ds.indexes[name].is_unique:
        yield f"`{name}` repeats labels, expected each once"


def _of_extra(ds: xr.Dataset, name: str, kind: Kind) -> Iterator[str]:
    array = ds[name]
    if array.dims not in kind.extra:
        yield f"`{name}` on {array.dims} is not part of this kind"
        return
    if array.dtype.kind != "f":
        yield f"`{name}` holds {array.dtype}, expected float"
    if not array.attrs.get("units"):
        yield f"`{name}` has no units"


_SECTION = ("section",)
_MEASURED = ("section", "measure")

_BUILT = {
    "opened_year": Variable(_SECTION, "float", "year", "opening to traffic, decimal year"),
    "bond": Variable(_SECTION, "text", "", "bond of the overlay to the old pavement"),
    "base": Variable(_SECTION, "text", "", "kind of the old pavement"),
    "district": Variable(_SECTION, "text", "", "district"),
    "contractor": Variable(_SECTION, "text", "", "contractor"),
    "project": Variable(_SECTION, "text", "", "contract, recorded or inferred"),
    "thickness": Variable(_SECTION, "float", "m", "overlay thickness"),
    "panel_length": Variable(_SECTION, "float", "m", "distance between transverse joints"),
    "trucks_per_day": Variable(_SECTION, "float", "1/day", "trucks per day"),
    "area": Variable(_SECTION, "float", "m2", "paved area"),
    "required": Variable(_MEASURED, "float", "1", "measure required: 1 yes, 0 no, NaN not recorded"),
    "verified": Variable(_MEASURED, "bool", "1", "measure verified to have been done as intended"),
    "randomised": Variable(_MEASURED, "bool", "1", "measure assigned at random"),
}
_LIFE = {
    "age_entry": Variable(_SECTION, "float", "year", "age at which the section came under observation"),
    "age_in_service": Variable(_SECTION, "float", "year", "age at which it is last known to be in service"),
    "age_removed": Variable(_SECTION, "float", "year", "age at removal because of condition"),
    "age_lower": Variable(_SECTION, "float", "year", "stated age before which it had not failed"),
    "age_upper": Variable(_SECTION, "float", "year", "age by which it is stated to have failed"),
    "named": Variable(("section", "cause"), "bool", "1", "cause named in the records"),
}
_LABELS = {
    "section": Variable(_SECTION, "text", "", "section"),
    "measure": Variable(("measure",), "text", "", "measure"),
}

define(
    Kind(
        "sections",
        coords={**_LABELS, "cause": Variable(("cause",), "text", "", "mechanism or wear_out")},
        variables={**_BUILT, **_LIFE},
        extra=(_SECTION,),
    )
)
_RATE = Variable(("measure",), "float", "1", "share of sections with the measure in the records", optional=True)
define(Kind("programme", coords=_LABELS, variables={**_BUILT, "required_rate": _RATE}, extra=(_SECTION,)))
define(
    Kind(
        "readings",
        coords={},
        variables={
            "section_index": Variable(("reading",), "int", "1", "position of the section in the sections dataset"),
            "section": Variable(("reading",), "text", "", "section"),
            "age": Variable(("reading",), "float", "year", "age at the survey"),
            "index": Variable(("reading",), "float", "index points", "condition index"),
            "z": Variable(("reading",), "float", "1", "condition index on the scale of constant scatter"),
            "status": Variable(("reading",), "text", "", "how the reading is used"),
            "rater": Variable(("reading",), "text", "", "who read it, where the records name raters", optional=True),
        },
    )
)
