"""What follows when stored samples came, changed or went, or what they are judged by changed: judge again, and let the
alerts follow. Not: new on-line readings (recording)."""
