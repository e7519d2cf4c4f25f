"""What addresses and forms may hold, checked before anything uses it."""
