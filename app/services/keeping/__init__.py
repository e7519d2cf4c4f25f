"""The record kept safe: backup, copy, checks, upkeep of months and of retention."""
