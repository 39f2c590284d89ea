"""Errors a user can act on. Each says what was found, what was expected, and what to do."""


class MeterlinkError(Exception):
    """Base of every error that Steadypoint raises on purpose; its text is fit for the user."""


class UsageError(MeterlinkError):
    """A command, option or METER address is wrong."""


class FileError(MeterlinkError):
    """A file cannot be used.

    The text starts with `path:line:column:` where a place is known, as compilers write it.
    """

    def __init__(self, path: str, message: str, line: int | None = None, column: int | None = None) -> None:
        self.path, self.message, self.line, self.column = path, message, line, column
        place = ":".join(str(part) for part in (path, line, column) if part is not None)
        super().__init__(f"{place}: {message}")


class LinkError(MeterlinkError):
    """The meter cannot be reached, or the link to it broke."""

    def __init__(self, message: str, *, passing: bool = False) -> None:
        self.passing = passing
        """Whether trying again may help by itself, even for a meter that was never reached: it may be switched off."""
        super().__init__(message)


class RecordError(MeterlinkError):
    """The store cannot be opened, is damaged, or does not hold what was asked for."""


class RefusedRowError(RecordError):
    """The store refuses what was to be written: the same again would be refused again."""
