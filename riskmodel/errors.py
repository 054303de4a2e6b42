"""Errors and warnings: what is wrong, where, what was got, what is expected, how to mend it.

Everything a user can cause is a `RiskModelError`; the command line prints it and ends with
status 2. Faults of one input are collected in a `Faults` and raised together.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

__all__ = [
    "CalibrationError",
    "ClusterError",
    "Fault",
    "Faults",
    "InputError",
    "LostProcessError",
    "PriorError",
    "RangeWarning",
    "RecordsError",
    "RiskModelError",
    "RiskModelWarning",
    "SchemaError",
    "StoreError",
    "StudyError",
]


class RiskModelError(Exception):
    """Anything the user can mend. The message says what, where and how."""


class SchemaError(RiskModelError):
    """An xarray object does not have the published dims, variables or units of its kind."""


class CalibrationError(RiskModelError):
    """The sampler's result failed the gate and is not reported as a result."""


class StoreError(RiskModelError):
    """A results file is missing, newer than this program, damaged, or of another study."""


class ClusterError(RiskModelError):
    """The cluster cannot be reached, was lost, or is not set up as this machine is."""


class LostProcessError(RiskModelError):
    """A process that worked for this run was ended from outside."""


class GraphicsError(RiskModelError):
    """No graphics processor can be used here."""


class RiskModelWarning(UserWarning):
    """The result stands, but read it with this in mind."""


class RangeWarning(RiskModelWarning):
    """An argument lies outside the range in which a formula was validated."""


@dataclass(frozen=True)
class Fault:
    """One fault of an input file.

    Parameters
    ----------
    rule : str
        What is expected, as a sentence without full stop.
    file : str
        File name, or "" for an argument.
    row : int or None
        Line in the file as an editor counts it (the header is line 1).
    column : str
        Column, table or key.
    got : str
        The offending value as written, "" if nothing was there.
    remedy : str
        How to mend it, as a sentence without full stop.
    """

    rule: str
    file: str = ""
    row: int | None = None
    column: str = ""
    got: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.row is not None:
            place += f"{', ' if place else ''}row {self.row}"
        if self.column:
            place += f"{', ' if place else ''}`{self.column}`"
        got = f"; got {printable(self.got)!r}" if self.got else ""
        remedy = f" {self.remedy}." if self.remedy else ""
        return f"{place}{': ' if place else ''}{self.rule}{got}.{remedy}"


class InputError(RiskModelError):
    """All faults found in one reading of the user's files.

    Parameters
    ----------
    faults : sequence of Fault
        In file order.
    """

    SHOWN = 40

    def __init__(self, faults: list[Fault] | tuple[Fault, ...]):
        self.faults = tuple(faults)
        lines = [str(fault) for fault in self.faults[: self.SHOWN]]
        hidden = len(self.faults) - self.SHOWN
        if hidden > 0:
            lines.append(f"and {hidden} more faults")
        super().__init__("\n".join(lines))


class RecordsError(InputError):
    """Faults of the sections or surveys table."""


class PriorError(InputError):
    """Faults of a prior file."""


class StudyError(InputError):
    """Faults of study.toml."""


@dataclass
class Faults:
    """Collects faults so that a reader reports all of them at once.

    Examples
    --------
    >>> faults = Faults("surveys.csv")
    >>> faults.add("the index lies between 0 and 100", row=3, column="pci", got="104")
    >>> faults.raise_any(RecordsError)
    Traceback (most recent call last):
    ...
    riskmodel.errors.RecordsError: surveys.csv, row 3, `pci`: the index lies between 0 and 100; got '104'.
    """

    file: str = ""
    found: list[Fault] = field(default_factory=list)

    def add(
        self,
        rule: str,
        *,
        row: int | None = None,
        column: str = "",
        got: object = "",
        remedy: str = "",
        file: str | None = None,
    ) -> None:
        """Note one fault (see `Fault` for the arguments)."""
        where = self.file if file is None else file
        self.found.append(Fault(rule, where, row, column, str(got), remedy))

    def extend(self, other: Faults) -> None:
        """Take over the faults of another collector."""
        self.found.extend(other.found)

    def raise_any(self, kind: type[InputError]) -> None:
        """Raise `kind` with every fault, if there is one."""
        if self.found:
            raise kind(self.found)

    def __iter__(self) -> Iterator[Fault]:
        return iter(self.found)

    def __len__(self) -> int:
        return len(self.found)


def printable(text: str, longest: int = 60) -> str:
    """Text cut to `longest` characters with control characters replaced, safe for a terminal."""
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return clean if len(clean) <= longest else clean[: longest - 1] + "\N{HORIZONTAL ELLIPSIS}"
