"""The record of a take: format, writer, reader and recovery, store."""
