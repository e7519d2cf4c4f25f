"""What each page shows, gathered in one reading of the record. Writes nothing; no other package of this rank knows
it.
"""
