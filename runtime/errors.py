"""The one tree of errors that a user can meet.

Every error is one line, ``{where}: {what} is {got}, expected {expected}. {what to do}``, and the
command ends with exit code 2 (``exit_code``). Each class also joins the built-in it resembles, so
that plain ``except ValueError`` code keeps working.
"""

from __future__ import annotations

__all__ = [
    "ArgumentError",
    "Error",
    "FormatError",
    "OverflowRisk",
    "PortError",
    "ToolError",
    "UsageError",
]


class Error(Exception):
    """Root of the tree.

    Parameters
    ----------
    where : str
        File, port, key or argument the fault is in.
    what : str
        The thing that is wrong, in the trade's words.
    got, expected : object, optional
        What was found and what would have been right; kept as attributes.
    do : str
        What the reader should do next; one sentence without a final full stop.
    """

    exit_code = 2

    def __init__(
        self,
        where: str,
        what: str,
        got: object = None,
        expected: object = None,
        do: str = "",
    ) -> None:
        self.where, self.what, self.got, self.expected, self.do = where, what, got, expected, do
        text = f"{where}: {what}"
        if got is not None:
            text += f" is {got}"
        if expected is not None:
            text += f", expected {expected}"
        text = text.rstrip(".") + "."
        if do:
            text += f" {do[0].upper()}{do[1:].rstrip('.')}."
        super().__init__(" ".join(text.split()))

    def __reduce__(self) -> tuple[type[Error], tuple[object, ...]]:
        """Travel whole between processes: an exception is rebuilt from its arguments."""
        return type(self), (self.where, self.what, self.got, self.expected, self.do)


class UsageError(Error, ValueError):
    """The call is wrong: an argument, a recipe key, a limit."""


class ArgumentError(UsageError, TypeError):
    """An argument is of a type that the call cannot take."""


class FormatError(Error, ValueError):
    """A file or packet does not have the form that it claims."""


class OverflowRisk(Error, OverflowError):  # noqa: N818  # nothing has overflowed yet
    """An integer stage could pass its accumulator for some input; the export is refused."""


class PortError(Error, OSError):
    """A serial port cannot be opened, or stopped answering."""


class ToolError(Error, RuntimeError):
    """A compiler or an emulated core failed."""
