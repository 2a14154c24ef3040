"""The player: what is due, and when. Pure."""
