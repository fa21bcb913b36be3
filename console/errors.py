"""The errors that reach a user as one clear message, without a traceback."""

from __future__ import annotations


class UserError(Exception):
    """Something the user can put right.

    `message` says what is wrong, `hint` what to do about it. The command line prints both and
    exits with code 2.
    """

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint


class NoEngine(UserError):
    """No engine is running that could be asked. The command line exits with code 3."""
