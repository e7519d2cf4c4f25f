"""What the daily look at instruments' days reads and keeps."""
