"""The folder on disk: takes, tunings, verifications; atomic, resumable, comparable."""
