"""The session file: text to model with line numbers, and its JSON Schema. Pure."""
