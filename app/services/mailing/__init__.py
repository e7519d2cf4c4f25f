"""Mails: written, queued for the contacts of a site, delivered. Not: whether there is anything to say (alerting)."""
