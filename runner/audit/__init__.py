"""What a take's record says went wrong. Pure."""
