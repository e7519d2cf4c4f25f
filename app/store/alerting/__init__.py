"""Alerts and their events."""
