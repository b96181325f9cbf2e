"""The virtual room: an audio interface with a known truth."""
