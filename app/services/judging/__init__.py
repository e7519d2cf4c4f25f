"""What is said of samples: reads what the engine needs, asks it, compares with what is stored. Moves no alert and mails
nobody (alerting)."""
