"""One function per use case, in packages by subject; each owns its transaction.

Who may know whom, upwards: judging; mailing; alerting; instruments; rejudging; recording; registering; correcting;
files; exporting; pages. Keeping and health stand alone. The import contract in pyproject.toml says so.
"""
