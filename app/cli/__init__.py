"""The ``ullage`` command, a file a group of commands."""
