"""What can stop the sender.

::

    SenderError
      SpoolError          the spool cannot be used; the text says why and what to do
        SpoolBusyError    another process has it
        SpoolFullError    no room; nothing of what was to be appended is stored
      GivenUpError        no answer for as long as was allowed; what is in the spool stays there
"""


class SenderError(Exception):
    """Sending cannot go on; the text says why and what to do."""


class SpoolError(SenderError):
    """The spool cannot be read or written."""


class SpoolBusyError(SpoolError):
    """Another process has the spool."""


class SpoolFullError(SpoolError):
    """There is no room; nothing of what was to be appended is stored."""


class GivenUpError(SenderError):
    """The server did not take a batch for as long as was allowed."""
