"""The record in SQLite or PostgreSQL: every SELECT stands here, in packages by subject. No transaction is ended here
(services do), and nothing is decided here (domain).

Beside the packages stand what all of them use: the schema, connections, bulk writing, months, replicas, trouble.
"""
