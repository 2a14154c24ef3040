"""Musical time: positions, meters, tempo, moments and spans. Pure."""
