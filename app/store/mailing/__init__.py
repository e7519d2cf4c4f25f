"""The outbox."""
