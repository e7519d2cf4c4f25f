"""The course: where a unit's whole record has come to, as against what one sample shows.

:mod:`.states` has the words, :mod:`.signs` what is read of the earlier rules, :mod:`.unit` the state of one series
while it is walked through, :mod:`.gravity` how grave that is, :mod:`.walk` the rule. The rules of state and gravity are
the table of docs/decisions/course.md.
"""
