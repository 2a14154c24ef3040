"""A song as a flat timeline for each port. Pure."""
