"""Water, paper, oil quality, and how gas divides between oil and air."""
