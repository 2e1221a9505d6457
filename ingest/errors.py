"""What can go wrong, in two families: the input is wrong, or the program is.

`InputError` and its children are for the person at the keyboard: one line that says what, where, what was
found, what was expected and what to do. Everything else is ours to mend and keeps its traceback in the log.
"""

from __future__ import annotations


class CoilbookError(Exception):
    """Base of every error that this package raises on purpose."""


class InputError(CoilbookError):
    """Something a person gave (a file, a profile, a setting, an option) cannot be used."""


class UnreadableFile(InputError):
    """A whole file cannot be read: truncated, not text, wrong columns. It loads nothing."""


class ProfileError(InputError):
    """A source profile is malformed or names what does not exist."""


class SettingsError(InputError):
    """A settings file has an unknown name, a wrong type or a value out of range."""


class StoreError(CoilbookError):
    """The store cannot be opened, or refused a statement."""


class StoreInUse(StoreError):
    """Another process owns the store file."""


class StoreTooNew(StoreError):
    """The store was written by a newer version of the schema than this program knows."""


class StatementFailed(StoreError):
    """A statement failed; the message carries the statement's head and its bound values."""
