"""Columns of one sample made into findings, method calls and words. Text is made from numbers, never parsed."""
