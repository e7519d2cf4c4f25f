"""What pages read, in few queries. Nothing here writes."""
