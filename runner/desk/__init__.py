"""The process that reads the session, commands the engine and keeps the record."""
