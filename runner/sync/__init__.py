"""Following a clock and judging it. Pure."""
