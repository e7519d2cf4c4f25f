"""The record as a whole: schema upgrades, backups, copies, checks, retention."""
