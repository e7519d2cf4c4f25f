"""What samples mean. The engine walks the rules; the methods name faults; reporting makes one sample's columns into an
assessment with its sentences. Not: who is told (alerting)."""
