"""What people put right, and which revision of a sample is in force."""
