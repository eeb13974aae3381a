"""TOML to frozen, validated settings."""
