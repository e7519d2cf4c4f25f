"""What can go wrong and is somebody's to mend: one tree. The message says what is wrong, where, and how to mend it.

::

    UllageError
    ├── GivenError      what somebody gave cannot be taken: a file, a body, a form, a setting
    ├── UnknownError    what somebody named is not registered or not stored
    ├── RefusedError    it cannot be done as things stand
    └── OutsideError    something outside does not do its part: the database, the mail server, the disk

Every exception of ours stands below one of the four, beside the code that raises it; a test looks. What is none of them
is a mistake of ours: it is logged with its traceback and answered with 500. The sender runs on a gateway without the
rest of the program, and has a tree of its own (:mod:`app.sender.errors`).
"""


class UllageError(Exception):
    """The root. Raise one of the branches below, with a message for the person who has to mend it."""


class GivenError(UllageError):
    """What somebody gave cannot be taken."""


class UnknownError(UllageError):
    """What somebody named is not registered or not stored."""


class RefusedError(UllageError):
    """It cannot be done as things stand."""


class OutsideError(UllageError):
    """Something outside does not do its part."""
