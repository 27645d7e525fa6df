"""Exceptions that own an exit code and a remedy.

Three channels, never mixed: a fit that fails is a false value with its reason;
bad input or a wrong call raises one of these; doubt about a good result is a
flag from :mod:`calibration.flags`.
"""

from __future__ import annotations

from typing import Any, Self

from calibration.flags import Doubt, doubt


class BoutlineError(Exception):
    """A known fault: one line of text, a remedy and an exit code."""

    exit_code = 1

    def __init__(self, code: str, **facts: object) -> None:
        """Build the message from the table entry ``code`` filled with ``facts``.

        Raises:
            KeyError: ``code`` is not in the table of doubts, or a fact is missing.
        """
        self.doubt: Doubt = doubt(code, **facts)
        super().__init__(self.doubt.text)

    @classmethod
    def of(cls, found: Doubt) -> Self:
        """Return the fault that a doubt has become, its words kept."""
        fault = cls.__new__(cls)
        fault.doubt = found
        fault.args = (found.text,)
        return fault

    def __reduce__(self) -> tuple[Any, ...]:
        """Let a fault go from one process to another, its words kept."""
        return type(self).of, (self.doubt,)

    @property
    def code(self) -> str:
        """The code of the table entry."""
        return self.doubt.code

    @property
    def remedy(self) -> str:
        """What the person should do next."""
        return self.doubt.remedy


class UsageError(BoutlineError):
    """The call or the plan file is wrong; nothing was tried."""

    exit_code = 2


class Refusal(BoutlineError):
    """The input cannot give an outline that anybody should trust."""

    exit_code = 4
