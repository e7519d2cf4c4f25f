"""Alerts of units, instruments, sites and the fleet: raised, eased, acknowledged, shelved. Not: how a mail reads
(mailing), nor what a sample means (judging)."""
