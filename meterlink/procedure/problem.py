"""What is wrong with a procedure file or a description of a wire format, and where."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from meterlink.errors import FileError


class Severity(StrEnum):
    """Whether a file with the problem can be used."""

    ERROR = "error"
    WARNING = "warning"


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One problem at one place."""

    line: int
    """From 1."""
    column: int
    """From 1, in characters."""
    message: str
    severity: Severity = Severity.ERROR


class ProcedureError(FileError):
    """A procedure or a description of a wire format cannot be used.

    Its text has one line a problem, `path:line:column: message`, in file order.
    """

    def __init__(self, path: str, problems: Sequence[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        first = self.problems[0]
        super().__init__(path, first.message, first.line, first.column)
        self.args = ("\n".join(f"{path}:{each.line}:{each.column}: {each.message}" for each in self.problems),)
