"""What is installed: the system, read from system.toml and checked."""
