"""Samples and readings in: what is new, known or revised, in one transaction, with what follows. Not: how a file is
read (files), nor mistakes put right by hand (correcting)."""
