"""Is the service itself well: the worker's pulse, mail, the database."""
