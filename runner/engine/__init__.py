"""The real-time process that owns every port."""
